"""The line: rows, features, profiles, where it lies. No train is on it."""
