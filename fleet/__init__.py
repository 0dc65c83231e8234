"""Keeps a venue's networked loudspeakers at their desired state."""

__version__ = "0.1.0"
