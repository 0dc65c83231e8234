"""Ways to talk to a device: one small protocol class, and its implementations."""
