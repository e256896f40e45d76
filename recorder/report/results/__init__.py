"""What was found: performance, test sections, train resistance, tonnage, energy, fuel, each run."""
