"""What can be wrong with a feed's settings, told in one line."""

__all__ = ["FeedError"]


class FeedError(ValueError):
    """The feed cannot run as asked; the text says what was got and what is allowed."""
