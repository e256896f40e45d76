"""Certificates of cell, wheel and clock, and what one is used for. Not how one is made."""
