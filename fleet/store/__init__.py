"""The database: desired versions, inventory, changes with their journal, snapshots. SQL stays inside.

Services know `fleet.store.protocol`; the entry point opens a store with `fleet.store.sql.open_store`.
"""
