"""A run on one even grid, its train, wind and corrections. No verdict."""
