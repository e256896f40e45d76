"""A damaged SQLite database and its log, read page by page. Only rows that prove themselves."""
