"""Where the console command starts: `map FILE` at once, everything else through the parser of `service.cli`."""

import gc
import os
import sys


def main() -> None:
    """Run the command of the command line.

    The parser with all its commands takes longer to make than a course to map, so a plain `map FILE` does without it.
    Whatever else is asked, and whatever goes wrong, is left to the parser, which has the words for it: mapping stores
    nothing and can be done over.
    """
    if _is_map_of_a_file(sys.argv[1:]):
        gc.disable()  # the process ends before there is garbage to speak of
        code = _map(sys.argv[2])
        if code is not None:
            gc.freeze()  # nor is any looked for at its end
            sys.exit(code)
        gc.enable()
    from service.cli import main as parse_and_run

    parse_and_run()


def _is_map_of_a_file(asked: list[str]) -> bool:
    if len(asked) != 2 or asked[0] != "map" or asked[1].startswith("-"):
        return False
    return os.path.isfile(asked[1]) and os.access(asked[1], os.R_OK)


def _map(file: str) -> int | None:
    """The exit code; None where something is wrong with the tables or with the output, which the parser will say."""
    from pathlib import Path

    from service.commands.mapping import map_course_file

    try:
        return map_course_file(Path(file))
    except Exception:  # said by the parser, which meets it again
        return None


if __name__ == "__main__":
    main()
