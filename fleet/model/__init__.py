"""What a device, output, preset slot, position, room, difference and change *are*.

Frozen dataclasses with slots, free of I/O. They are validated once, at the edge, by pydantic (`fleet.model.edge`),
and passed on as values.
"""
