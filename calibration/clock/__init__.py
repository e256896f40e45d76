"""Device ticks to run time, live and fitted. No file, no device."""
