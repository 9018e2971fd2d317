"""From a plan file to everything a run will do, or a refusal."""
