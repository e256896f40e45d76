"""The guided session on live counts: plan, readings, resume. No evaluation."""
