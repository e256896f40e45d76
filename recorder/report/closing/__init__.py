"""What the results rest on: uncertainty, deviations, conclusion, nomenclature, appendices."""
