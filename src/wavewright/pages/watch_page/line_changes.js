// Which lines of a text are new against an earlier one: the longest common subsequence is what has stayed.

const MOST = 1500; // lines on either side that differ; above that all between the common ends counts as new

/** Numbers (from 1) of the lines of `after` that are not in `before` at their place. */
export function changedLines(before, after) {
  const old = before.split("\n");
  const now = after.split("\n");
  let first = 0;
  while (first < old.length && first < now.length && old[first] === now[first]) first += 1;
  let oldEnd = old.length;
  let nowEnd = now.length;
  while (oldEnd > first && nowEnd > first && old[oldEnd - 1] === now[nowEnd - 1]) {
    oldEnd -= 1;
    nowEnd -= 1;
  }
  const kept = oldEnd - first > MOST || nowEnd - first > MOST ? new Set() : common(old, now, first, oldEnd, nowEnd);
  const changed = new Set();
  for (let k = first; k < nowEnd; k++) if (!kept.has(k)) changed.add(k + 1);
  return changed;
}

function common(old, now, first, oldEnd, nowEnd) {
  const width = nowEnd - first + 1;
  const length = new Uint16Array((oldEnd - first + 1) * width);
  for (let i = oldEnd - 1; i >= first; i--) {
    for (let j = nowEnd - 1; j >= first; j--) {
      const at = (i - first) * width + (j - first);
      length[at] = old[i] === now[j] ? length[at + width + 1] + 1 : Math.max(length[at + width], length[at + 1]);
    }
  }
  const kept = new Set();
  let i = first;
  let j = first;
  while (i < oldEnd && j < nowEnd) {
    const at = (i - first) * width + (j - first);
    if (old[i] === now[j]) {
      kept.add(j);
      i += 1;
      j += 1;
    } else if (length[at + width] >= length[at + 1]) i += 1;
    else j += 1;
  }
  return kept;
}
