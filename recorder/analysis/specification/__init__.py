"""Which stretches count, and how they stand against the specification. No run file, no pages.

Every stretch found or added passes :func:`stretch_results.measure_stretches`, the one place
where it is decided whether it is judged.
"""
