"""Sensors: temperature to resistance and back, with spans, slopes and uncertainty."""
