"""Documents, sentences, figures and the report page."""
