#!/bin/bash
# Makes a local PostgreSQL image, with no registry, from the unpacked npm folder: postgres-image.sh package/native [tag]
set -euo pipefail
src=$1; tag=${2:-postgres:17-alpine}; r=$(mktemp -d); trap 'rm -rf "$r"' EXIT; chmod 755 "$r"
mkdir -p $r/{usr/bin,usr/lib,usr/local/bin,etc,tmp,run,var/run/postgresql,var/lib/postgresql,docker-entrypoint-initdb.d,lib64,proc,sys,dev,usr/local/pgsql}
chmod 1777 $r/tmp $r/var/run/postgresql; ln -s usr/bin $r/bin
cp -a "$src"/. $r/usr/local/pgsql/
libs() { { ldd "$@" 2>/dev/null || true; } | { grep -o '/[^ ]*\.so[^ ]*' || true; } | { grep -v "^$r" || true; } | sort -u | while read -r l; do mkdir -p "$r$(dirname "$l")"; cp -L "$l" "$r$l"; done; }
for b in bash cat mkdir chown chmod rm setpriv sleep; do cp -L "$(command -v $b)" $r/usr/bin/; libs "$(command -v $b)"; done
ln -sf bash $r/usr/bin/sh
libs $r/usr/local/pgsql/bin/*
for b in psql pg_isready; do # Snapshot and Restore call the one, health checks the other
  if p=$(ls -d /usr/lib/postgresql/*/bin/$b 2>/dev/null | tail -1) && [ -n "$p" ]; then cp -L "$p" $r/usr/bin/$b; libs "$p"; fi
done
printf 'root:x:0:0:root:/:/bin/sh\npostgres:x:999:999::/var/lib/postgresql:/bin/sh\n' > $r/etc/passwd
printf 'root:x:0:\npostgres:x:999:\n' > $r/etc/group
cat > $r/usr/local/bin/entrypoint.sh <<'S'
#!/bin/bash
set -eu
[ "${1:-postgres}" = postgres ] || exec "$@"
shift || true
run() { setpriv --reuid=999 --regid=999 --clear-groups "$@"; }
user=${POSTGRES_USER:-postgres}; db=${POSTGRES_DB:-$user}
mkdir -p "$PGDATA"; chown 999:999 "$PGDATA"; chmod 700 "$PGDATA"
if [ ! -s "$PGDATA/PG_VERSION" ]; then
  printf '%s\n' "${POSTGRES_PASSWORD:?set POSTGRES_PASSWORD}" > /tmp/pw; chown 999:999 /tmp/pw
  run initdb -D "$PGDATA" -U "$user" -A scram-sha-256 --pwfile=/tmp/pw -E UTF8 --locale=C --no-sync --no-instructions
  rm -f /tmp/pw
  printf 'local all all trust\nhost all all all scram-sha-256\n' > "$PGDATA/pg_hba.conf"
  printf 'create database "%s";\n' "$db" > /tmp/db.sql
  [ "$db" = postgres ] || run postgres --single -j -D "$PGDATA" postgres < /tmp/db.sql > /dev/null
  echo 'LOG:  database system is ready to accept connections' >&2   # the usual image says it twice, and the wait rule counts
fi
exec setpriv --reuid=999 --regid=999 --clear-groups postgres -D "$PGDATA" -c listen_addresses='*' -c unix_socket_directories=/var/run/postgresql "$@"
S
chmod +x $r/usr/local/bin/entrypoint.sh; find $r -type d ! -perm -005 -exec chmod go+rx {} +
tar -C $r --numeric-owner --owner=0 --group=0 -cf - . | docker import -c 'ENV PATH=/usr/local/pgsql/bin:/usr/local/bin:/usr/bin PGDATA=/var/lib/postgresql/data' \
  -c 'ENTRYPOINT ["/usr/local/bin/entrypoint.sh"]' -c 'CMD ["postgres"]' -c 'EXPOSE 5432' -c 'VOLUME /var/lib/postgresql/data' - firstout-postgres-base:1 >/dev/null
printf 'FROM firstout-postgres-base:1\nSTOPSIGNAL SIGINT\n' | DOCKER_BUILDKIT=0 docker build -q -t "$tag" -
