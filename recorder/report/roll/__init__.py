"""The chart roll: the continuous trace at a true scale."""
