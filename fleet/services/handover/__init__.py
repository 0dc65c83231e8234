"""The hand-over: everything that a person takes over with a room or a venue, gathered at one moment."""
