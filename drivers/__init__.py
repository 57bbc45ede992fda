"""How an instrument is spoken to: byte links, dialects, and the analyser that the runner uses."""
