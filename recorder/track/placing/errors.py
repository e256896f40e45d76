"""What can keep a run from being placed, in one line for a person."""

__all__ = ["PlacingError"]


class PlacingError(ValueError):
    """A run that cannot be placed on a route, or a placement that does not read."""
