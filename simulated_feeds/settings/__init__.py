"""What a feed is asked for, and what can be wrong with that."""
