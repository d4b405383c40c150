"""The doors to the engine: HTTP API and command line. Nothing here computes a probability."""
