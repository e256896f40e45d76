"""The zero of a channel over the run, and its shunt checks. Taking them is the recording's."""
