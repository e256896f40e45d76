"""Pages over models that import no Qt."""
