"""Feeds on real ports, in a process of their own."""
