# The management server: RFC 8572 bootstrap server over RESTCONF. Context and labels: harness/setup/images.py.
FROM branchproof/base:bench

RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends python3-aiohttp python3-jwt \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/*

COPY opt/ /opt/branchproof/
RUN python3 -m compileall -q -f --invalidation-mode unchecked-hash /opt/branchproof
CMD ["python3", "-m", "emulators.management.main"]
