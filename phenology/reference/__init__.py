"""Species, fat scales and constants, each value with its source."""
