"""What a snapshot proves: keys, time stamps, verifying a file without daemon or database, and exports."""
