"""The microcontroller program, kept as package data."""
