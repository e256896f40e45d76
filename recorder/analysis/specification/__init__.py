"""Which stretches count and how they stand against the specification."""
