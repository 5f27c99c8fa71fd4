"""A site to a plan: steps and criteria, gas and time, forecast."""
