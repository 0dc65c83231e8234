"""The HTTP API of the daemon: on loopback, behind a token that only its owner can read."""
