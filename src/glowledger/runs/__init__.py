"""A cleaning run over time: trends, flashes, regimes and the endpoint."""
