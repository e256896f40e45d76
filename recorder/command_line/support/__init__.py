"""What several verbs share: errors in one line, progress, reports in words."""
