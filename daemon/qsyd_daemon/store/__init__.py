"""What outlives the daemon: presets and open intents, durable at once, and the journal of events, written in batches.

All of it is SQLite, written by one thread of its own; nothing here is ever done on the event loop.
"""
