"""The running recording as the window sees it: workers, numerals, device lines."""
