"""Measured values with the causes of their uncertainty, and what the instruments are worth."""
