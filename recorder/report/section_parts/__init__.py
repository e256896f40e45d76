"""What all sections of a trial's report go by: what runs are called, what becomes of a section that
cannot be made.
"""
