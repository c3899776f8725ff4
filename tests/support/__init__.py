"""What tests share: peers written from the standards, hosts, helpers."""
