"""What command line and screen both call: prepare, start, go on, end."""
