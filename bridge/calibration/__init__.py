"""From labelled segments of one person's signal to settings, and the profile that keeps them."""
