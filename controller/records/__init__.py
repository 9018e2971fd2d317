"""Records: append, recover, verify, replay, export, report."""
