"""The testcar command: one module a verb, thin."""
