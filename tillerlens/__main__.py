"""``python -m tillerlens``: the command line, from a checkout or an installation."""

from tillerlens.cli.app import main

if __name__ == "__main__":
    main()
