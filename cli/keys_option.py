"""Options that list every key of a report or a log, and leave."""

import argparse
from typing import Any


class Keys(argparse.Action):
    """Print what a report or a log holds, and leave."""

    def __call__(
        self, parser: argparse.ArgumentParser, *_: Any, option_string: str | None = None
    ) -> None:
        """Print the table of the command that the option names."""
        from carrierfloor.cli import (
            check_report,
            figures_keys,
            fit_report,
            keys,
            level_report,
            live_log,
            measure_keys,
            predict_report,
            report_keys,
            screen,
            simulate_report,
            study_columns,
        )

        tables = {
            "process": report_keys.KEYS,
            "predict": predict_report.KEYS,
            "figures": figures_keys.KEYS,
            "live": live_log.LOG_KEYS,
            "measure": measure_keys.KEYS,
            "level": level_report.KEYS,
            "simulate": simulate_report.KEYS,
            "check": check_report.KEYS,
            "fit": fit_report.KEYS,
            "study": study_columns.KEYS,
        }
        screen.results().print(keys.report_table(tables[str(self.const)]))
        parser.exit()


def add_keys_option(parser: argparse._ActionsContainer, option: str, command: str) -> None:
    """Add the option for a command's keys."""
    what = option.removeprefix("--").removesuffix("-keys")
    parser.add_argument(
        option,
        action=Keys,
        nargs=0,
        const=command,
        help=f"list every key of the {what} with its meaning, and leave",
    )
