"""Placing while the run goes on, for the window. Placing a whole run is in `placing`."""
