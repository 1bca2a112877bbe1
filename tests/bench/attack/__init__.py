"""Attacks on a daemon of our own, on loopback only and each with a bound: what they reach is counted."""
