"""A simulator of stress racks that knows the truth: it speaks the wire contract and nothing of the monitor.

``model`` is pure physics, ``faults`` pure transformations of a stream of messages, ``scenario`` puts a campaign
together from a seed, ``runfile`` writes it to a file at once, ``publish`` plays it to a broker.
"""
