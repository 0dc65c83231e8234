"""One archive of all that a daemon needs to live on another computer, and a home made from it."""
