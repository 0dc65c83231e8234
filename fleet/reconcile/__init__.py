"""The rules: compare, plan, guard, and the change as a pure state machine. No I/O, no clock, no randomness."""
