"""What several verbs share: parsers, errors in one line, progress, reports in words."""
