"""Plans, the run itself, settling, verdict, diagnosis."""
