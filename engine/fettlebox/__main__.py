"""`python -m fettlebox` is the `fettlebox` command."""

from .cli import main

if __name__ == "__main__":
    main()
