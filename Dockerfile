FROM python:3.11-slim
RUN useradd --system --create-home --home-dir /house tiedown
WORKDIR /house
COPY requirements.lock ./
RUN python -m pip install --no-cache-dir --require-hashes -r requirements.lock
COPY pyproject.toml README.md LICENSE ./
COPY service ./service
COPY workers ./workers
COPY migrations ./migrations
RUN python -m pip install --no-cache-dir --no-deps --no-build-isolation .
USER tiedown
ENV PYTHONUNBUFFERED=1
CMD ["tiedown", "serve", "--host", "0.0.0.0", "--port", "8484"]
