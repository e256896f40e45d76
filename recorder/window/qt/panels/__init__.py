"""The panels around the paper, and how they look."""
