"""Reading and writing recordings and their annotations."""
