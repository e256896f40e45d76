"""Page one and what goes before the results: title block, object, instruments, method."""
