"""Statistics and physics: arrays in, estimates out; one file a model."""
