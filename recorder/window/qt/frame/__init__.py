"""Application, main window, keys, pictures."""
