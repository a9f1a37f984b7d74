"""A guided tour on the reference plant: six tasks to predict, then to reveal."""
