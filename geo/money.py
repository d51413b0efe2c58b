"""Sums of money in words, the same in every sentence, page and sheet."""

from __future__ import annotations

#: A narrow space that does not break, between thousands and after a currency sign.
THIN = "\u202f"
MINUS = "\u2212"
#: Signs of currencies; any other stands as farm.toml has it.
CURRENCY_SIGNS = {"ZAR": "R", "USD": "US$", "EUR": "€", "AUD": "A$", "NZD": "NZ$"}
#: Sums are said to the nearest so much: nobody knows next year's work to the last coin.
STEP = 5


def money(amount: float, currency: str, step: int = STEP) -> str:
    r"""Money with its sign, rounded.

    Parameters
    ----------
    currency : str
        As in farm.toml.
    step : int
        To the nearest so much; 1 where a sum that a person typed is repeated to them.

    Examples
    --------
    >>> money(15403.2, "ZAR"), money(299, "CHF", step=1)
    ('R\u202f15\u202f405', 'CHF\u202f299')
    """
    figure = f"{step * round(amount / step):,.0f}".replace(",", THIN).replace("-", MINUS)
    sign = currency_sign(currency)
    return f"{sign}{THIN}{figure}" if sign else figure


def currency_sign(currency: str) -> str:
    """The sign before a sum.

    Examples
    --------
    >>> currency_sign("EUR"), currency_sign("CHF")
    ('€', 'CHF')
    """
    return CURRENCY_SIGNS.get(currency, currency)
