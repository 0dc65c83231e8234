"""The daemon's own log: one JSON object a line in a file of its home, text or JSON on stderr."""
