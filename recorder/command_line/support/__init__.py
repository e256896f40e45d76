"""What several verbs share: errors in one line, progress, the demo's crew."""
