"""``python -m bridge`` is the ``biosignal-bridge`` command."""

from bridge.commands import main

if __name__ == "__main__":
    main()
