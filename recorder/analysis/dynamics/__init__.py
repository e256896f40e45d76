"""Resistance, energy, consumption, tonnage, starts and stops: what the train did."""
