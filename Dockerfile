# One static binary and nothing else. `make docker` builds the binary first; this file only packs it.
FROM scratch
COPY bin/firstout /firstout
USER 65532:65532
EXPOSE 8080
ENTRYPOINT ["/firstout", "serve"]
