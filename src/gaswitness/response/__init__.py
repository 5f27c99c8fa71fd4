"""How a detector answers to gas: forward model, fit, and figures read off a trace."""
