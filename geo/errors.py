"""What can go wrong, in words a grower can act on."""


class SoilquiltError(Exception):
    """The job cannot go on; the message says what was met, where, and what to do.

    ``exit_code`` is what the command line ends with: 2 wrong use, 3 refused input or failed units.
    """

    exit_code = 3


class UsageError(SoilquiltError):
    """The words of the command do not fit together."""

    exit_code = 2


class IntakeError(SoilquiltError):
    """A file cannot be read as what it should be. Nothing of it is stored."""


class UnreadableError(IntakeError):
    """Reading a file broke, had no end or wanted too much: other words about it do not help."""


class FarmError(SoilquiltError):
    """The farm folder is missing, held by another process, or damaged."""


class TableError(SoilquiltError):
    """A table of agronomy lacks a source, has a gap, or does not hold what was asked."""


class KrigingError(SoilquiltError):
    """The samples do not allow what was asked of them."""


class ExportError(SoilquiltError):
    """A file could not be written in the shape its readers need."""
