"""Sources of samples, one file each."""
