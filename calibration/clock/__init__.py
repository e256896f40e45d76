"""Device ticks to run time to UTC, live and fitted. No file, no device."""
