"""`python -m ampwitness` is the same as the `ampwitness` command."""

from ampwitness.cli import main

if __name__ == "__main__":
    main()
