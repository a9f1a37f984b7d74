"""The plant: from the described system to steady states and linear models."""
