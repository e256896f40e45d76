"""The recording process: rings, device threads, keeper, control channel and health."""
