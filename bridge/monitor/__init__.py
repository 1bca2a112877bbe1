"""The local page and its server."""
