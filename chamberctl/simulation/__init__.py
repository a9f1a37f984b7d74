"""Simulation: the sampled loop on the nonlinear plant, as it will run."""
