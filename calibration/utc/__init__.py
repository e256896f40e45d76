"""Run time to UTC by witnesses, each of which may lie; leap seconds. No file, no device."""
