"""The wire contract, version 1, as code: topics, typed messages, limits and the errors they raise.

No I/O, and nothing of the monitor or the simulator is imported here: both are built against it.
The same contract stands as an AsyncAPI 3 document in ``shared/asyncapi.yaml``; a test holds the two together.
"""
