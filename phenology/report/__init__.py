"""Figures, words, tables and the one HTML file."""
