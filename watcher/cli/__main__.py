"""``python -m watcher.cli`` is ``midwatch``."""

from watcher.cli.main import main

if __name__ == "__main__":
    main()
