"""Runs opened, placed and loaded; answered for singly and together; compared. No pages."""
