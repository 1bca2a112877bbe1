"""Matching events to a reference, scores, reports."""
