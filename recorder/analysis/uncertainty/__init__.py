"""Measured values with the causes of their uncertainty, and what the instruments of a run are
worth. No train dynamics, no verdict.
"""
