"""A train that obeys physics, devices on real protocols, replay, faults on demand."""
