"""The line around the train."""
