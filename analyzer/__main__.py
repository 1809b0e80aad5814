"""`python -m analyzer` is the command."""

from analyzer.cli import main

if __name__ == "__main__":
    main()
