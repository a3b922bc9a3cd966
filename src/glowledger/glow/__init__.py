"""The forward model of the light: emitters, bands, fit and evidence."""
