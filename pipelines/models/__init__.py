"""Rates, reasons and intervals, and the limits they share: numbers in, numbers out.

No file, no store and no state: every function can be tried in a console with a typed list.
"""
