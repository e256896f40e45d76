"""A train that obeys physics, devices that speak the real protocols, replay, faults on demand."""
