"""Samples, events, causal filters and signal quality."""
