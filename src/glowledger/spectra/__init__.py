"""Frames and how they are read, written and handed to astropy and specutils."""
