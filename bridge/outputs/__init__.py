"""Where actions go, one file each, and the guard that lets keys go."""
