"""The page to work on: files that a browser runs as they stand here, made only of the public endpoints."""
