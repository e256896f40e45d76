"""The run cut into stretches, each measured; and what was specified. Nothing is judged here."""
