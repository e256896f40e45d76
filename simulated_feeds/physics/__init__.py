"""The line and the train on it. No device."""
