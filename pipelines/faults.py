"""The errors a user may see: each one sentence with what is wrong, where, and what to do."""


class Fault(Exception):
    """A fault with a sentence for the user; `str(fault)` is that sentence."""


class DataFault(Fault):
    """The data are at fault: a file, a row, a column or a figure cannot be used as it is."""


class RequestFault(Fault):
    """The request is at fault: a name, a period or a path that nothing answers to."""


class HeldFault(DataFault):
    """The store is held by another process for longer than is waited for."""
