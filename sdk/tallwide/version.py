"""The one version of the distribution: SDK, service and engine."""

VERSION = "0.1.0"
