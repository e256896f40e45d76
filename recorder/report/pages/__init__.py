"""A document as blocks, its renderings, charts and units shown. No figure is worked out here."""
