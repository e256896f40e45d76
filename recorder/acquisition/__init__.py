"""Ring, device threads, the recording process, its control channel and health."""
