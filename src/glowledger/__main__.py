"""Allow ``python -m glowledger``."""

from glowledger.cli import main

if __name__ == "__main__":
    main()
