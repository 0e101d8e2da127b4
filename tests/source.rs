//! Compressed and packed logs, made by Python's standard library (`archives/make.py`) and by the compressors'
//! own crates: every byte of every member, nothing written, nothing beyond the limits.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use std::io::Write;
use std::path::{Path, PathBuf};

use fettle::source::{Confidence, Entry, Kind, Limits, Problem, SourceError, detect, for_each_entry};

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(name)
}

fn log() -> Vec<u8> {
    std::fs::read(folder("captures/frames.bin")).unwrap()
}

fn read_within(path: &Path, limits: Limits) -> (Vec<(Entry, Vec<u8>)>, Vec<Problem>) {
    let mut found = Vec::new();
    let problems = for_each_entry(path, limits, &mut |entry, reader| {
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).unwrap();
        found.push((entry.clone(), bytes));
        Ok::<(), SourceError>(())
    })
    .unwrap();
    (found, problems)
}

fn read(path: &Path) -> (Vec<(Entry, Vec<u8>)>, Vec<Problem>) {
    read_within(path, Limits::default())
}

/// A file of these bytes, without a telling name.
fn file(bytes: &[u8]) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(bytes).unwrap();
    file
}

fn names(found: &[(Entry, Vec<u8>)]) -> Vec<String> {
    let root = folder("archives");
    found
        .iter()
        .map(|(entry, _)| entry.name.strip_prefix(&root).unwrap_or(&entry.name).display().to_string())
        .collect()
}

#[test]
fn every_member_of_an_archive_is_read_whole() {
    let deep = format!("card.tar/day/{}log4.bin", "long/".repeat(40));
    for (archive, packed, more) in [
        ("card.zip", vec![Kind::Zip], vec![]),
        ("card.tar", vec![Kind::Tar], vec![deep.as_str()]),
        ("card.tar.gz", vec![Kind::Gzip, Kind::Tar], vec![&deep]),
    ] {
        let (found, problems) = read(&folder("archives").join(archive));
        assert_eq!(problems, [], "{archive}");
        let mut wanted: Vec<String> = ["day/log1.bin", "../../escape.bin", "day/log2.bin.gz", "notes.txt"]
            .map(|name| format!("{archive}/{name}"))
            .to_vec();
        wanted.extend(more.iter().map(|name| name.replacen("card.tar", archive, 1)));
        assert_eq!(names(&found), wanted);
        for (entry, bytes) in &found {
            if entry.name.ends_with("notes.txt") {
                assert_eq!((entry.kind, &bytes[..]), (Kind::Unknown, &b"a note\n"[..]));
                continue;
            }
            assert_eq!(*bytes, log(), "{}", entry.name.display());
            assert_eq!((entry.kind, entry.confidence), (Kind::Bare, Confidence::Certain));
            assert!(entry.packed.starts_with(&packed), "{:?}", entry.packed);
            assert_eq!(entry.packed.len() > packed.len(), entry.name.ends_with("day/log2.bin.gz"));
        }
    }
    let (found, _) = read(&folder("archives/stored.zip"));
    assert_eq!(found[0].1, log());
}

/// A tar header (POSIX pax, *ustar interchange format*) of this type and size; `more` writes into the rest.
fn header(name: &str, kind: u8, size: u64, more: impl Fn(&mut [u8; 512])) -> [u8; 512] {
    let mut header = [0u8; 512];
    header[..name.len()].copy_from_slice(name.as_bytes());
    header[100..108].copy_from_slice(b"0000644\0");
    header[124..136].copy_from_slice(format!("{size:011o}\0").as_bytes());
    header[156] = kind;
    header[257..265].copy_from_slice(b"ustar  \0"); // as GNU tar writes it
    more(&mut header);
    header[148..156].fill(b' ');
    let sum: u32 = header.iter().map(|byte| u32::from(*byte)).sum();
    header[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    header
}

fn padded(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    bytes.resize(bytes.len().next_multiple_of(512), 0);
    bytes
}

/// The header of a file with `held` bytes of content and a hole behind them, as GNU tar writes it.
fn sparse(name: &str, held: usize, whole: usize) -> [u8; 512] {
    header(name, b'S', held as u64, |header| {
        // Offset and length of what is held, then the empty piece at the end, then the whole size.
        for (at, number) in [(386, 0), (398, held), (410, whole), (422, 0), (483, whole)] {
            header[at..at + 12].copy_from_slice(format!("{number:011o}\0").as_bytes());
        }
    })
}

#[test]
fn contiguous_and_sparse_members_are_files() {
    let piece = log()[..2048].to_vec();
    let tar = [
        &header("contiguous", b'7', log().len() as u64, |_| {})[..],
        &padded(&log()),
        &sparse("sparse", piece.len(), 5000),
        &piece,
        &header("folder", b'5', 0, |_| {}),
        &header("plain", b'0', log().len() as u64, |_| {}),
        &padded(&log()),
        &[0; 1024],
    ]
    .concat();
    let file = file(&tar);
    let (found, problems) = read(file.path());
    assert_eq!(problems, []);
    let contents: Vec<&[u8]> = found.iter().map(|(_, bytes)| &bytes[..]).collect();
    assert_eq!(contents, [&log()[..], &[&piece[..], &[0; 5000 - 2048]].concat(), &log()]);
}

#[test]
fn what_a_tar_archive_only_holds_is_counted_once() {
    let zeros = vec![0; 60_000];
    let member =
        |name, bytes: &[u8]| [&header(name, b'0', bytes.len() as u64, |_| {})[..], &padded(bytes)].concat();
    let tar = [member("one", &log()), member("two", &zeros), member("three", &log()), vec![0; 1024]].concat();
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(&tar).unwrap();
    let file_of = file(&gzip.finish().unwrap());
    let limits = Limits { free: 64 << 10, ratio: 10, ..Limits::default() };
    let (found, problems) = read_within(file_of.path(), limits);
    assert_eq!(problems, []);
    assert_eq!(found.iter().map(|(_, bytes)| bytes.len()).collect::<Vec<_>>(), [2792, 60_000, 2792]);

    // The hole of a sparse member comes out of nothing, and costs only itself.
    let tar = [sparse("hole", 0, 1 << 32).to_vec(), member("log", &log()), vec![0; 1024]].concat();
    let limits = Limits { free: 1 << 20, ..Limits::default() };
    let (found, problems) = read_within(file(&tar).path(), limits);
    assert!((1 << 20..4 << 20).contains(&found[0].1.len()), "{}", found[0].1.len());
    assert_eq!((found.len(), &found[1].1), (2, &log()));
    assert!(problems[0].what.contains("200 times its size"), "{problems:?}");
}

#[test]
fn a_name_of_gigabytes_is_refused() {
    let log_member = [&header("log", b'0', log().len() as u64, |_| {})[..], &padded(&log())].concat();
    for kind in [b'L', b'K', b'x'] {
        let long = header("././@LongLink", kind, 6 << 30, |_| {});
        let tar = [&log_member[..], &long, &vec![b'a'; 2 << 20]].concat();
        let (found, problems) = read(file(&tar).path());
        assert_eq!(found[0].1, log());
        // What lies behind is looked through for another header, but is nobody's name.
        assert!(found[1..].iter().all(|(_, bytes)| bytes.iter().all(|byte| *byte == b'a')));
        assert_eq!(problems.len(), 1);
        assert!(problems[0].what.contains("more than 1 MiB of names"), "{problems:?}");
    }
    // A name of some length is fine, and what describes members does not add up.
    let name = "n".repeat(200_000);
    let long = [&header("././@LongLink", b'L', 200_000, |_| {})[..], &padded(name.as_bytes())].concat();
    let tar = [[long, log_member].concat().repeat(12), vec![0; 1024]].concat();
    let (found, problems) = read(file(&tar).path());
    assert_eq!((found.len(), problems.len()), (12, 0));
    assert!(found[11].0.name.to_string_lossy().ends_with(&name));
}

#[test]
fn compressed_files_are_known_by_content() {
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(&log()).unwrap();
    let gzip = gzip.finish().unwrap();
    let zstd = zstd::encode_all(&log()[..], 3).unwrap();
    let twice = zstd::encode_all(&gzip[..], 3).unwrap();
    let two_members = [&gzip[..], &gzip].concat();
    for (bytes, times, packed) in [
        (log(), 1, vec![]),
        (gzip, 1, vec![Kind::Gzip]),
        (zstd, 1, vec![Kind::Zstd]),
        (twice, 1, vec![Kind::Zstd, Kind::Gzip]),
        (two_members, 2, vec![Kind::Gzip]),
    ] {
        let file = file(&bytes);
        let (found, problems) = read(file.path());
        assert_eq!((problems.len(), found.len()), (0, 1), "{packed:?}");
        assert_eq!(found[0].0.packed, packed);
        assert_eq!(found[0].1, log().repeat(times));
    }
}

#[test]
fn what_cannot_be_read_is_said_in_a_clear_line() {
    for (archive, entries, what) in [
        ("encrypted.zip", 0, "encrypted; unpack it with its password first"),
        ("method.zip", 0, "packed by a method that is not read"),
        ("nested.tar", 0, "inside another file is not opened; unpack it first"),
    ] {
        let (found, problems) = read(&folder("archives").join(archive));
        assert_eq!(found.len(), entries, "{archive}");
        assert!(!problems.is_empty(), "{archive}");
        for problem in problems {
            assert!(problem.what.contains(what), "{archive}: {problem:?}");
            assert!(problem.name.starts_with(folder("archives").join(archive)), "{problem:?}");
        }
    }
    let gone =
        for_each_entry(Path::new("no such file"), Limits::default(), &mut |_, _| Ok::<(), SourceError>(()));
    assert!(gone.unwrap_err().to_string().contains("cannot open no such file"));
}

#[test]
fn a_bomb_ends_at_the_limit_and_what_came_before_is_kept() {
    let limits = Limits { free: 1 << 20, ..Limits::default() };
    let (found, problems) = read_within(&folder("archives/bomb.gz"), limits);
    // 40 MB of zeros in about 39 kB: 200 to 1 allows about 8 MB.
    assert!((1 << 20..12 << 20).contains(&found[0].1.len()), "{}", found[0].1.len());
    assert!(problems[0].what.contains("200 times its size"), "{problems:?}");
    assert_eq!(read(&folder("archives/bomb.gz")).1, [], "a long log of zeros is no bomb by itself");
    let limits = Limits { members: 2, ..Limits::default() };
    assert_eq!(read_within(&folder("archives/card.tar"), limits).0.len(), 2);
    assert_eq!(read_within(&folder("archives/card.zip"), limits).0.len(), 2);
}

#[test]
fn damage_costs_what_lies_behind_it_and_is_told() {
    let packed = std::fs::read(folder("archives/card.tar.gz")).unwrap();
    let cut = file(&packed[..packed.len() / 2]);
    let (_, problems) = read(cut.path());
    assert!(problems.iter().any(|problem| problem.what.starts_with("damaged")), "{problems:?}");

    let tar = std::fs::read(folder("archives/card.tar")).unwrap();
    // The first member ends at byte 512 + 2792 and is padded to 3584; a header follows.
    let cut = file(&tar[..5000]);
    let (found, problems) = read(cut.path());
    assert_eq!(found[0].1, log());
    assert_eq!(found[1].1, log()[..5000 - 3584 - 512]);
    assert!(problems[0].what.starts_with("cut off: 1888 bytes"), "{problems:?}");

    // A damaged header costs the member's name, and no other member.
    let (whole, _) = read(&folder("archives/card.tar"));
    let mut bytes = tar.clone();
    bytes[3584] ^= 1;
    let (found, problems) = read(file(&bytes).path());
    assert!(problems[0].what.contains("damaged behind its 1 first members"), "{problems:?}");
    assert_eq!(found.len(), whole.len());
    assert!(found[1].0.name.ends_with("behind damaged header 2"), "{:?}", found[1].0.name);
    assert_eq!(found[1].1[..log().len()], log());
    assert!(found[1].1[log().len()..].iter().all(|byte| *byte == 0), "padding only");
    let rest = |of: &[(Entry, Vec<u8>)]| of[2..].iter().map(|entry| entry.1.clone()).collect::<Vec<_>>();
    assert_eq!(rest(&found), rest(&whole));
    // The first one, too.
    let mut bytes = tar.clone();
    bytes[3] ^= 1;
    let (found, problems) = read(file(&bytes).path());
    assert!(problems[0].what.contains("damaged behind its 0 first members"), "{problems:?}");
    assert_eq!(rest(&found), rest(&whole));
    assert!(found[0].1.starts_with(&whole[0].1));
    // A damaged header counts as a member.
    let mut bytes = tar.clone();
    bytes[3584] ^= 1;
    let limits = Limits { members: 1, ..Limits::default() };
    let (found, problems) = read_within(file(&bytes).path(), limits);
    assert_eq!(found.len(), 1);
    assert!(problems[1].what.contains("more than 1 members"), "{problems:?}");

    // Behind an archive's end stand zeros, another archive, or what was there before.
    let ends = |more: &[u8]| read(file(&[&tar[..], more].concat()).path());
    let contents = |of: Vec<(Entry, Vec<u8>)>| of.into_iter().map(|(_, bytes)| bytes).collect::<Vec<_>>();
    let once = contents(whole.clone());
    let (found, problems) = ends(&[0; 4_000]);
    assert_eq!((contents(found), problems), (once.clone(), vec![]));
    let (found, problems) = ends(&tar);
    assert_eq!((contents(found), problems), ([once.clone(), once.clone()].concat(), vec![]));
    let (found, problems) = ends(&[padded(&[&[0; 100][..], &log()].concat()), tar.clone()].concat());
    assert_eq!(problems, vec![]);
    assert!(found[whole.len()].0.name.ends_with("behind the end 6"), "{:?}", found[whole.len()].0);
    assert!(found[whole.len()].1[100..].starts_with(&log()));
    assert!(contents(found).ends_with(&once));

    // Of zip archives what is not read is told.
    let (found, problems) = read(&folder("archives/twins.zip"));
    assert_eq!(contents(found), [log()]);
    assert!(problems[0].what.contains("with the same name only the last"), "{problems:?}");
    let zip = std::fs::read(folder("archives/card.zip")).unwrap();
    let (found, problems) = read(file(&zip.repeat(2)).path());
    assert_eq!(found.len(), 4);
    assert!(
        problems[0].what.contains(&format!("the first {} bytes are not read", zip.len())),
        "{problems:?}"
    );

    // Of a zip that lost its directory at the end, members that are there whole are read all the same.
    for name in ["stored.zip", "card.zip"] {
        let zip = std::fs::read(folder("archives").join(name)).unwrap();
        let whole = contents(read(file(&zip).path()).0);
        for short in [1, 30] {
            let (found, problems) = read(file(&zip[..zip.len() - short]).path());
            assert_eq!(contents(found), whole, "{name} {short}");
            let [problem] = problems.as_slice() else { panic!("{problems:?}") };
            assert!(problem.what.starts_with("not a whole zip archive"), "{problem:?}");
        }
        // Cut within a member: those before it, what comes of it, and that it is cut. APPNOTE.TXT, 4.3.7: a local header
        // has the packed size at 18, the lengths of name and extra field at 26 and 28, and is 30 bytes long with neither.
        let headers: Vec<usize> = (0..zip.len()).filter(|at| zip[*at..].starts_with(b"PK\x03\x04")).collect();
        let le =
            |at: usize, len: usize| zip[at..at + len].iter().rev().fold(0, |n, b| n << 8 | usize::from(*b));
        let size = |at: usize| le(at + 18, 4);
        let last = headers.iter().copied().rfind(|at| size(*at) > 200).unwrap();
        let cut = last + 30 + le(last + 26, 2) + le(last + 28, 2) + size(last) / 2;
        let (found, problems) = read(file(&zip[..cut]).path());
        let (found, whole) = (contents(found).concat(), whole.concat());
        assert!(whole.starts_with(&found) && found.len() > whole.len() / 3, "{name}: {}", found.len());
        let told = |problem: &Problem| problem.what.contains("what came before is kept");
        assert!(problems.iter().any(told), "{name}: {problems:?}");
    }
    // Where the headers do not tell how long a member is (APPNOTE.TXT, 4.4.4: bit 3), it is scanned as it is: stored members
    // are still there.
    let mut zip = std::fs::read(folder("archives/stored.zip")).unwrap();
    zip.truncate(zip.len() - 30);
    zip[6] |= 8;
    let (found, problems) = read(file(&zip).path());
    assert!(problems.iter().any(|problem| problem.what.ends_with("read as it is")), "{problems:?}");
    assert!(found.iter().any(|found| found.1.windows(log().len()).any(|window| window == log())));

    // Deflated members tell their own end.
    let zip = std::fs::read(folder("archives/streamed.zip")).unwrap();
    let (found, problems) = read(file(&zip).path());
    assert_eq!(problems, vec![]);
    let whole = contents(found);
    assert_eq!(whole.len(), 4);
    // APPNOTE.TXT, 4.3.7 and 4.3.9: a header's flags are at 6; behind a member stand a mark, its checksum and two lengths.
    let places = |mark: &[u8]| (0..zip.len()).filter(|at| zip[*at..].starts_with(mark)).collect::<Vec<_>>();
    let (headers, behind) = (places(b"PK\x03\x04"), places(b"PK\x07\x08"));
    assert!(headers.iter().all(|at| zip[at + 6] & 8 == 8) && behind.len() == 4);
    let directory = places(b"PK\x01\x02")[0];
    // Without the directory's end, or cut within the directory's mark, the last member's lengths or its checksum.
    for (len, notes) in [
        (zip.len() - 1, 1),
        (directory + 3, 1),
        (directory, 1),
        (directory - 1, 1),
        (directory - 8, 1),
        (directory - 9, 2),
        (directory - 15, 2),
        (behind[3], 2),
    ] {
        let (found, problems) = read(file(&zip[..len]).path());
        assert_eq!((contents(found), problems.len()), (whole.clone(), notes), "{len}: {problems:?}");
        let last = &problems[notes - 1].what;
        assert_eq!(last.ends_with("; 4 member(s) read by their own headers"), len != directory + 3, "{last}");
    }
    // A header that is cut is no member.
    let (found, problems) = read(file(&zip[..headers[1] + 33]).path());
    assert_eq!((contents(found), problems.len()), (whole[..1].to_vec(), 1), "{problems:?}");
    // Cut within the second one.
    let (found, problems) = read(file(&zip[..(headers[1] + 3 * behind[1]) / 4]).path());
    let found = contents(found);
    assert_eq!((found.len(), &found[0]), (2, &whole[0]));
    assert!(whole[1].starts_with(&found[1]) && found[1].len() > whole[1].len() / 4, "{}", found[1].len());
    assert!(problems[0].what.contains("what came before is kept"), "{problems:?}");
    // Without the mark, which is left to the tool; with lengths of eight bytes, as of a long file.
    let lengths = |between: &[u8]| [&zip[..behind[0]], between, &zip[headers[1]..directory]].concat();
    let sum = &zip[behind[0] + 4..behind[0] + 8];
    for between in [[sum, &[0; 8]].concat(), [b"PK\x07\x08", sum, &[0; 16]].concat()] {
        let (found, problems) = read(file(&lengths(&between)).path());
        assert_eq!((contents(found), problems.len()), (whole.clone(), 1), "{problems:?}");
    }
    // A wrong checksum is told; so is a member behind which nothing is known, and the rest is read as it is.
    let mut bytes = zip[..directory].to_vec();
    bytes[behind[0] + 4] ^= 1;
    let (found, problems) = read(file(&bytes).path());
    assert_eq!((contents(found), problems.len()), (whole.clone(), 2), "{problems:?}");
    assert!(problems[0].what.contains("its checksum does not fit"), "{problems:?}");
    for len in [directory - 8, directory, directory + 3] {
        let mut bytes = zip[..len].to_vec();
        bytes[behind[3] + 4] ^= 1;
        let problems = read(file(&bytes).path()).1;
        assert!(problems[0].what.contains("its checksum does not fit"), "{len}: {problems:?}");
    }
    let (found, problems) = read(file(&lengths(&[7; 40])).path());
    assert!(found[1].0.name.ends_with("behind member 1"), "{:?}", found[1].0);
    assert!(problems[0].what.contains("ends is not known"), "{problems:?}");
    // What is wrong within one says nothing of where it ends, and a folder is no log.
    let nested = std::fs::read(folder("archives/nested.zip")).unwrap();
    let (found, problems) = read(file(&nested[..nested.len() - 30]).path());
    assert_eq!((contents(found), problems.len()), (vec![log()], 2), "{problems:?}");
    // As many members as may be read are not more.
    let stored = std::fs::read(folder("archives/card.zip")).unwrap();
    for (zip, members, told) in [(&zip, 4, false), (&zip, 3, true), (&stored, 4, false), (&stored, 3, true)] {
        let limits = Limits { members, ..Limits::default() };
        let (found, problems) = read_within(file(&zip[..zip.len() - 1]).path(), limits);
        let more = format!("more than {members} members; the rest is not read");
        assert_eq!((found.len(), problems[0].what == more), (members, told), "{problems:?}");
    }
    // A limit on what comes out ends the reading, and both are told.
    let limits = Limits { free: 1_000, ratio: 0, ..Limits::default() };
    let (found, problems) = read_within(file(&zip[..directory]).path(), limits);
    assert!(whole[0].starts_with(&found[0].1), "{:?}", found[0].0);
    let told: Vec<_> = problems.iter().map(|problem| problem.what.contains("unpacks to more than")).collect();
    assert_eq!(told, [true, true], "{problems:?}");
    // One that nobody wants whole does not hide those behind it.
    let mut wanted = Vec::new();
    let taken = for_each_entry(file(&zip[..directory]).path(), Limits::default(), &mut |entry, _| {
        wanted.push(entry.name.clone());
        Ok::<(), SourceError>(())
    });
    assert_eq!((taken.unwrap().len(), wanted.len()), (1, 4));

    // No byte of an archive can be changed so that reading fails or panics.
    let cut = |name: &str| if name == "streamed.zip" { 30 } else { 0 };
    for name in ["card.zip", "streamed.zip", "card.tar.gz", "card.tar"] {
        let mut bytes = std::fs::read(folder("archives").join(name)).unwrap();
        bytes.truncate(bytes.len() - cut(name));
        for at in (0..bytes.len()).step_by(bytes.len() / 150 + 1) {
            let mut damaged = bytes.clone();
            damaged[at] ^= 0xFF;
            read(file(&damaged).path());
        }
    }
}

#[test]
fn detects_with_a_confidence() {
    let frames = log();
    let stamped: Vec<u8> =
        1_789_000_000_000_000u64.to_be_bytes().into_iter().chain(frames[..40].to_vec()).collect();
    for (bytes, kind, confidence) in [
        (&[][..], Kind::Empty, Confidence::Certain),
        (&frames, Kind::Bare, Confidence::Certain),
        (&frames[..150], Kind::Bare, Confidence::Likely),
        (&frames[..25], Kind::Bare, Confidence::Weak),
        (&stamped, Kind::Timestamped, Confidence::Weak),
        (b"nothing that is known", Kind::Unknown, Confidence::Weak),
        (&[0; 600], Kind::Unknown, Confidence::Weak),
        (b"PK\x05\x06", Kind::Zip, Confidence::Certain),
        (&[0x0A, 0x0D, 0x0D, 0x0A, 0, 0, 0, 28, 0x1A, 0x2B, 0x3C, 0x4D], Kind::PcapNg, Confidence::Certain),
    ] {
        assert_eq!(detect(bytes), (kind, confidence), "{} bytes", bytes.len());
    }
    for (name, kind) in [("card.zip", Kind::Zip), ("card.tar", Kind::Tar), ("bomb.gz", Kind::Gzip)] {
        let bytes = std::fs::read(folder("archives").join(name)).unwrap();
        assert_eq!(detect(&bytes), (kind, Confidence::Certain), "{name}");
    }
}
