"""The computer underneath: child processes, shared memory, disks. Nothing of a run."""
