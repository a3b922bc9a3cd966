"""glowledger: read a plasma's light and say what is in it, and whether the part is clean.

Nothing heavy is imported here: ``glowledger --help`` must start fast.
"""

__version__ = "0.1.0"
