"""What a fit means: residual gas, temperatures, colour."""
