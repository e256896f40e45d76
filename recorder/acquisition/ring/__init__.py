"""The ring of blocks between a device's thread and its readers."""
