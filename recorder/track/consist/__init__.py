"""The train's length and masses, and the grade and curve under it."""
