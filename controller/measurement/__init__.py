"""What a reading is worth: uncertainty budget, decision rules, verdict."""
