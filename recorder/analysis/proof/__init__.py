"""All that can be proved of a run: its file's proofs, plausibility, what nobody can prove."""
