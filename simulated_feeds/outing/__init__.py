"""A scenario put together and set going; its truth; rendered without ports."""
