"""Runs the models in order and turns their draws into answers."""
