"""The working curve of a force cell, and what each cause adds to its uncertainty at each force.
No class, no paper.
"""
