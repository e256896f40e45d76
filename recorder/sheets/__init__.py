"""Car and trip sheets: read, check, explain."""
