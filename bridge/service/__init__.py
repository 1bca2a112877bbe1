"""The daemon: source, pipeline and outputs joined, its taps and its health."""
