"""The database: schema, migrations, history and outbox."""
