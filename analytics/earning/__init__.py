"""Which crops earn their space: the arithmetic alone, on numbers that others read from the books.

No models, no pages, no database. Statistics are floats; grams and pence that must add up stay whole
elsewhere. numpy and scipy take some 0.3 s to load: a page imports these modules where it asks.
"""
