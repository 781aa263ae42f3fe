"""A season on an invented site, lived to its end: what following the mails is worth against a careful habit.

The season knows nothing of the product. Sky, soil, machines and crews are equations and draws of its own; only
`product.py` imports the product, in a process of its own, and gives back what the mails tell each crew.
"""
