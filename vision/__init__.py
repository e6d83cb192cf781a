"""Pixels into landmarks and outlines, and those into lengths: the arm and the instrument."""
