"""Moves, keeps, shows and answers: the product."""

__all__ = ["__version__", "software"]

__version__ = "0.1.0"


def software() -> str:
    """Name and version, as written into run files, certificates and reports."""
    return f"testcar {__version__}"
