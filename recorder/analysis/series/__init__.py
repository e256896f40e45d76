"""A run on one even grid, its train, line, wind, corrections and run table. No uncertainty, no
verdict."""
