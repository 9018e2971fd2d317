"""What leaves the house: text, CSV, JUnit."""
