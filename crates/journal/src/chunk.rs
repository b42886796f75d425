//! Chunks: many records in one content-addressed blob, so that a million trees are one entry and fifty blobs.
//!
//! A chunk is newline-delimited JSON (one record a line, `\n` after each) under gzip (RFC 1952), made at level 1 with
//! no file name and no time. It is known by the BLAKE3 hash of the gzip bytes as they are stored.

use std::io::{Read, Write};

use rayon::prelude::*;
use serde::{Deserialize, Serialize, de::DeserializeOwned};

use crate::error::Error;
use crate::hash::Hash;

/// Name of the encoding, as the load entry states it.
pub(crate) const ENCODING: &str = "ndjson+gzip";
/// Most records in one chunk.
const MAX_ROWS: usize = 20_000;
/// A chunk is closed once its JSON has reached this many bytes.
const FULL_BYTES: usize = 4 << 20;
/// No chunk unpacks to more than this: a damaged or hostile one must not eat the memory.
const MAX_UNPACKED: u64 = 1 << 30;

/// A chunk as its load entry names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ChunkRef {
    /// BLAKE3 of the stored bytes.
    pub hash: Hash,
    /// Number of stored bytes.
    pub bytes: u64,
    /// Number of records in it.
    pub rows: u64,
}

/// A chunk and its bytes.
pub(crate) struct Chunk {
    pub(crate) name: ChunkRef,
    pub(crate) bytes: Vec<u8>,
}

fn unreadable(why: impl ToString) -> Error {
    Error::Damaged(format!("a chunk of records can't be read: {}", why.to_string()))
}

/// Packs records into chunks, in their order. The bytes depend on the records alone, not on the number of threads.
pub(crate) fn pack<T: Serialize + Sync>(rows: &[T]) -> Result<Vec<Chunk>, Error> {
    let blocks: Vec<Vec<Chunk>> = rows
        .par_chunks(MAX_ROWS)
        .map(pack_block)
        .collect::<Result<_, _>>()?;
    Ok(blocks.into_iter().flatten().collect())
}

fn pack_block<T: Serialize>(rows: &[T]) -> Result<Vec<Chunk>, Error> {
    let mut chunks = Vec::new();
    let mut text = Vec::new();
    let mut count = 0;
    for (i, row) in rows.iter().enumerate() {
        serde_json::to_writer(&mut text, row).map_err(unreadable)?;
        text.push(b'\n');
        count += 1;
        if text.len() >= FULL_BYTES || i + 1 == rows.len() {
            let mut gzip = flate2::GzBuilder::new().write(Vec::new(), flate2::Compression::fast());
            let bytes = gzip
                .write_all(&text)
                .and_then(|()| gzip.finish())
                .map_err(unreadable)?;
            let name = ChunkRef {
                hash: Hash::of(&bytes),
                bytes: bytes.len() as u64,
                rows: count,
            };
            chunks.push(Chunk { name, bytes });
            text.clear();
            count = 0;
        }
    }
    Ok(chunks)
}

/// Unpacks one chunk, refusing it when it does not hold the number of records its entry states.
pub(crate) fn unpack<T: DeserializeOwned>(name: &ChunkRef, bytes: &[u8]) -> Result<Vec<T>, Error> {
    let text = gunzip(bytes)?;
    let mut rows = Vec::with_capacity(usize::try_from(name.rows).unwrap_or(0).min(MAX_ROWS));
    for line in text.split(|&b| b == b'\n').filter(|line| !line.is_empty()) {
        rows.push(serde_json::from_slice(line).map_err(unreadable)?);
    }
    if rows.len() as u64 != name.rows {
        return Err(unreadable(format!(
            "it holds {} records instead of {}",
            rows.len(),
            name.rows
        )));
    }
    Ok(rows)
}

fn gunzip(bytes: &[u8]) -> Result<Vec<u8>, Error> {
    let mut text = Vec::new();
    let mut gzip = flate2::read::MultiGzDecoder::new(bytes).take(MAX_UNPACKED);
    gzip.read_to_end(&mut text).map_err(unreadable)?;
    if text.len() as u64 == MAX_UNPACKED {
        return Err(unreadable("it unpacks to more than 1 GiB"));
    }
    Ok(text)
}

/// Whether the stored bytes are those the entry names.
pub(crate) fn is_intact(name: &ChunkRef, bytes: &[u8]) -> bool {
    bytes.len() as u64 == name.bytes && Hash::of(bytes) == name.hash
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn unpack_all(chunks: &[Chunk]) -> Vec<String> {
        chunks
            .iter()
            .flat_map(|c| unpack::<String>(&c.name, &c.bytes).unwrap())
            .collect()
    }

    #[test]
    fn chunks_hold_at_most_20_000_rows_and_close_when_full() {
        let many: Vec<String> = (0..45_000).map(|i| i.to_string()).collect();
        let chunks = pack(&many).unwrap();
        assert_eq!(
            chunks.iter().map(|c| c.name.rows).collect::<Vec<_>>(),
            [20_000, 20_000, 5_000]
        );
        assert_eq!(unpack_all(&chunks), many);
        let wide = vec!["x".repeat(3 << 20); 4];
        let chunks = pack(&wide).unwrap();
        assert_eq!(chunks.iter().map(|c| c.name.rows).collect::<Vec<_>>(), [2, 2]);
        assert_eq!(unpack_all(&chunks), wide);
        assert!(pack::<String>(&[]).unwrap().is_empty());
    }

    #[test]
    fn the_stored_bytes_start_like_plain_gzip() {
        let chunk = &pack(&["a"]).unwrap()[0];
        // RFC 1952: magic, deflate, no flags, no time.
        assert_eq!(chunk.bytes[..8], [0x1f, 0x8b, 8, 0, 0, 0, 0, 0]);
        assert!(is_intact(&chunk.name, &chunk.bytes));
    }

    proptest! {
        #[test]
        fn records_come_back(rows in prop::collection::vec(".*", 0..50)) {
            prop_assert_eq!(unpack_all(&pack(&rows).unwrap()), rows);
        }

        #[test]
        fn damaged_chunks_are_told_never_a_panic(at in any::<prop::sample::Index>(), flip in 1..=255_u8) {
            let mut chunk = pack(&["alder", "birch", "cherry"]).unwrap().remove(0);
            let at = at.index(chunk.bytes.len());
            chunk.bytes[at] ^= flip;
            prop_assert!(!is_intact(&chunk.name, &chunk.bytes));
            let _ = unpack::<String>(&chunk.name, &chunk.bytes);
        }

        #[test]
        fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), rows in any::<u64>()) {
            let name = ChunkRef { hash: Hash::of(&bytes), bytes: bytes.len() as u64, rows };
            let _ = unpack::<String>(&name, &bytes);
        }
    }
}
