"""``python -m polewright``."""

from polewright.cli import main

if __name__ == "__main__":
    main()
