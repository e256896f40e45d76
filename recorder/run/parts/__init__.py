"""What a run is made of: header, blocks, gaps, events, states, and what can be wrong with it."""
