"""`python -m labref` is the command line."""

from labref.cli.main import main

if __name__ == "__main__":
    main()
