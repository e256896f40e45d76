"""How admitted stretches stand against the specification: bands, verdicts, the one answer."""
