"""The ways bytes come in, and a link and a decoder joined into a driver. No protocol."""
