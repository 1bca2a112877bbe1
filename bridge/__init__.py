"""Turns blinks, glances, muscle contractions and heartbeats into control of a computer."""

__version__ = "0.1.0"
