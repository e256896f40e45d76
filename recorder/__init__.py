"""Moves, keeps, shows and answers: the product."""
