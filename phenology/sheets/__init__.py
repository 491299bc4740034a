"""The contract of each sheet, reading, codes and findings."""
