"""``python -m pressstats``."""

from .stopping import heed_signals, leave

if __name__ == "__main__":
    heed_signals()
    try:
        from .cli import main

        main(prog_name="python -m pressstats")
    except KeyboardInterrupt as stopped:  # while everything was imported
        leave(stopped, "Nothing was begun.")
