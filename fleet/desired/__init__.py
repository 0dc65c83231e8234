"""The desired state: a venue folder of YAML files, read with places kept, resolved, and checked.

The way of a file: text -> `nodes` (YAML with places) -> `files` (pydantic) -> `resolve` (defaults, groups, house
curve) -> `load` (everything together, one version) -> `check` (physics and devices).
"""
