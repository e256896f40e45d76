"""The live end: rings, device threads, keeper, control channel, health; counts for the bench."""
