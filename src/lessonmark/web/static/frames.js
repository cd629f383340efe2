// Decoded frames of one clip, out of a pack of JPEGs that is read by byte ranges.
// Bytes stay; pictures are decoded around the cursor only, because each takes megabytes.

const AHEAD = 24; // frames whose bytes are fetched beyond the cursor
const CHUNK = 16; // frames a request
const DECODED_BYTES = 192e6;
const MARGIN = 8; // frames kept decoded in the direction of travel

export class FrameStore {
  constructor(address, index, onReady) {
    this.address = address;
    this.index = index; // {width, height, offsets: [n + 1]}
    this.count = index.offsets.length - 1;
    this.onReady = onReady;
    this.bytes = new Map();
    this.pictures = new Map(); // frame -> ImageBitmap, oldest first
    this.asked = new Set();
    this.decoding = new Set();
    this.room = Math.max(2 * MARGIN + 2, Math.floor(DECODED_BYTES / (4 * index.width * index.height)));
    this.cursor = 0;
    this.direction = 1;
  }

  get(frame) { return this.pictures.get(frame); }

  want(frame, direction = this.direction) {
    this.cursor = frame;
    this.direction = direction || 1;
    this.decode(frame);
    for (let k = 1; k <= MARGIN; k += 1) {
      this.decode(frame + k * this.direction);
      if (k <= MARGIN / 2) this.decode(frame - k * this.direction);
    }
    this.fetchAround(frame);
  }

  fetchAround(frame) {
    const first = this.direction > 0 ? frame - AHEAD / 2 : frame - AHEAD;
    const last = this.direction > 0 ? frame + AHEAD : frame + AHEAD / 2;
    const chunks = [];
    for (let c = Math.floor(Math.max(first, 0) / CHUNK); c <= Math.floor(Math.min(last, this.count - 1) / CHUNK); c += 1) chunks.push(c);
    chunks.sort((a, b) => Math.abs(a * CHUNK + CHUNK / 2 - frame) - Math.abs(b * CHUNK + CHUNK / 2 - frame));
    for (const chunk of chunks) this.fetchChunk(chunk);
  }

  async fetchChunk(chunk) {
    if (this.asked.has(chunk)) return;
    this.asked.add(chunk);
    const from = chunk * CHUNK;
    const to = Math.min(from + CHUNK, this.count);
    const start = this.index.offsets[from];
    const stop = this.index.offsets[to];
    try {
      const answer = await fetch(this.address, { headers: { range: `bytes=${start}-${stop - 1}` } });
      if (answer.status !== 206) throw new Error(`frames: ${answer.status}`);
      const data = await answer.arrayBuffer();
      for (let frame = from; frame < to; frame += 1) {
        this.bytes.set(frame, data.slice(this.index.offsets[frame] - start, this.index.offsets[frame + 1] - start));
      }
      this.want(this.cursor);
    } catch (error) {
      this.asked.delete(chunk);
      throw error;
    }
  }

  async decode(frame) {
    if (frame < 0 || frame >= this.count || this.pictures.has(frame) || this.decoding.has(frame)) return;
    const bytes = this.bytes.get(frame);
    if (!bytes) return;
    this.decoding.add(frame);
    try {
      const picture = await createImageBitmap(new Blob([bytes], { type: 'image/jpeg' }));
      this.pictures.set(frame, picture);
      this.forget();
      this.onReady(frame);
    } finally {
      this.decoding.delete(frame);
    }
  }

  forget() {
    while (this.pictures.size > this.room) {
      let far = -1, away = -1;
      for (const frame of this.pictures.keys()) {
        const distance = Math.abs(frame - this.cursor);
        if (distance > away) { away = distance; far = frame; }
      }
      this.pictures.get(far).close();
      this.pictures.delete(far);
    }
  }
}
