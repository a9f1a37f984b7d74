"""Physics: numbers in, numbers out."""
