"""The cycle log: the durable record that replay, audits and warranty talks rest on."""
