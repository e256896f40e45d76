"""One module a wire protocol. Links and framing are next door."""
