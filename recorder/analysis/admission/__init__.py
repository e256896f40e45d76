"""Which stretches are admitted to judgement, and why the others are refused."""
