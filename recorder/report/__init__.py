"""PDF, HTML, chart roll, tables. Figures come worked; no run file is opened here but for the
one-page summary.
"""
