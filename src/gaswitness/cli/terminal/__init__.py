"""The run in a terminal: what is shown, which keys do what, and the person at the keyboard as the run's hands."""
