"""Certificates, and what one is used for: force cell, measuring wheel. Not how one is made."""
