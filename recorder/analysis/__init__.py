"""Pure functions from arrays to answers with uncertainty."""
