"""What is asked for, what would be recorded, and whether it can be. Nothing is recorded."""
