"""Whether the record can be true: what contradicts it, before any figure is believed."""
