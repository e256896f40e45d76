"""PDF, HTML, chart roll, tables."""
