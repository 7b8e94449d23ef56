"""The service: a stateless REST interface over the computing core."""
