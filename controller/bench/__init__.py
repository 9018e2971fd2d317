"""A bench file, and the equipment it opens; the simulated bench."""
