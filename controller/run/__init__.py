"""What drives relays: one driver, and its jobs."""
