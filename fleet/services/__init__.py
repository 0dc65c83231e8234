"""What the tool does, one module a job. Services perform the effects that the rules ask for.

They know drivers and the store by their protocol classes only.
"""
