"""The desk calculator: each module answers one kind of question, with the formula's name and source beside it."""
