"""Units and options of what is shown."""
