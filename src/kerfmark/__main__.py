"""`python -m kerfmark` is the `kerfmark` command."""

from kerfmark.cli import main

if __name__ == "__main__":
    main()
