"""Keys and marks of the crew."""
