"""A recorded run back onto ports."""
