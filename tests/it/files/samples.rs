//! Small files of every uncompressed form, built byte by byte after the documents that define them.

/// How a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    /// Bytes from 0 to 255, 128 is silence.
    U8,
    /// Signed integers of so many valid bits, left-justified in so many bytes.
    Int {
        bits: u16,
        bytes: usize,
    },
    F32,
    F64,
    ALaw,
    MuLaw,
}

/// The order of bytes in a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    Little,
    Big,
}

pub(super) const CHANNELS: u16 = 2;
pub(super) const RATE_HZ: u32 = 48_000;

/// ITU-T G.711: the loudest and the quietest values of both laws, at 16 bits (values from memory; as libsndfile reads them).
const A_LAW: [(u8, f64); 4] = [(0xAA, 32_256.0), (0x2A, -32_256.0), (0xD5, 8.0), (0x55, -8.0)];
const MU_LAW: [(u8, f64); 4] = [(0x80, 32_124.0), (0x00, -32_124.0), (0xFF, 0.0), (0xFE, 8.0)];

impl Coding {
    pub(super) fn bits(self) -> u16 {
        match self {
            Self::U8 | Self::ALaw | Self::MuLaw => 8,
            Self::Int { bits, .. } => bits,
            Self::F32 => 32,
            Self::F64 => 64,
        }
    }

    pub(super) fn bytes(self) -> usize {
        match self {
            Self::U8 | Self::ALaw | Self::MuLaw => 1,
            Self::Int { bytes, .. } => bytes,
            Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// Samples with the extremes of the coding among them, interleaved.
    pub(super) fn samples(self) -> Vec<f64> {
        let of_law = |law: [(u8, f64); 4]| law.map(|(_, value)| value / 32_768.0).to_vec();
        match self {
            Self::ALaw => of_law(A_LAW),
            Self::MuLaw => of_law(MU_LAW),
            Self::F32 => vec![0.5, -1.0, f64::from(0.1f32), 1.5],
            Self::F64 => vec![0.5, -1.0, 0.1, 1.5],
            Self::U8 | Self::Int { .. } => {
                // Eleven digits of a 64-bit sample are lost in a float anyway.
                let full = 2f64.powi(i32::from(self.bits()) - 1);
                let step = (full / 2f64.powi(40)).max(1.0);
                vec![-1.0, 1.0 - step / full, step / full, 0.25, -0.5, 0.0]
            }
        }
    }

    /// The bytes of those samples.
    pub(super) fn payload(self, order: Order) -> Vec<u8> {
        match self {
            Self::ALaw => A_LAW.map(|(byte, _)| byte).to_vec(),
            Self::MuLaw => MU_LAW.map(|(byte, _)| byte).to_vec(),
            _ => self.samples().into_iter().flat_map(|sample| self.sample(sample, order)).collect(),
        }
    }

    fn sample(self, sample: f64, order: Order) -> Vec<u8> {
        let mut little = match self {
            Self::F32 => (sample as f32).to_le_bytes().to_vec(),
            Self::F64 => sample.to_le_bytes().to_vec(),
            Self::U8 => vec![(sample * 128.0 + 128.0) as u8],
            _ => {
                let code = (sample * 2f64.powi(i32::from(self.bits()) - 1)) as i128;
                let code = code << (self.bytes() * 8 - usize::from(self.bits()));
                code.to_le_bytes()[..self.bytes()].to_vec()
            }
        };
        if order == Order::Big {
            little.reverse();
        }
        little
    }
}

pub(super) fn put(bytes: &mut Vec<u8>, order: Order, value: u64, size: usize) {
    match order {
        Order::Little => bytes.extend(&value.to_le_bytes()[..size]),
        Order::Big => bytes.extend(&value.to_be_bytes()[8 - size..]),
    }
}

/// `fmt ` as WAVEFORMATEX, or as WAVEFORMATEXTENSIBLE where the container of a sample is longer than its bits.
fn fmt(coding: Coding, order: Order) -> Vec<u8> {
    let tag = match coding {
        Coding::U8 | Coding::Int { .. } => 1,
        Coding::F32 | Coding::F64 => 3,
        Coding::ALaw => 6,
        Coding::MuLaw => 7,
    };
    let container = coding.bytes() as u64 * 8;
    let align = coding.bytes() as u64 * u64::from(CHANNELS);
    let extensible = container != u64::from(coding.bits());
    let mut fmt = Vec::new();
    let mut field = |value: u64, size: usize| put(&mut fmt, order, value, size);
    field(if extensible { 0xFFFE } else { tag }, 2);
    field(CHANNELS.into(), 2);
    field(RATE_HZ.into(), 4);
    field(u64::from(RATE_HZ) * align, 4);
    field(align, 2);
    field(container, 2);
    if extensible {
        field(22, 2);
        field(coding.bits().into(), 2);
        field(3, 4);
        // The GUID 00000001-0000-0010-8000-00AA00389B71: a long, two shorts, and eight bytes.
        field(tag, 4);
        field(0, 2);
        field(0x10, 2);
        fmt.extend(b"\x80\x00\x00\xAA\x00\x38\x9B\x71");
    }
    fmt
}

fn chunk(id: &[u8], contents: &[u8], order: Order) -> Vec<u8> {
    let mut bytes = id.to_vec();
    put(&mut bytes, order, contents.len() as u64, 4);
    bytes.extend(contents);
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    bytes
}

/// RIFF and RIFX: Multimedia Programming Interface and Data Specifications 1.0 (1991).
pub(super) fn riff(coding: Coding, order: Order, beside: &[(&[u8], &[u8])]) -> Vec<u8> {
    let mut contents = b"WAVE".to_vec();
    contents.extend(chunk(b"fmt ", &fmt(coding, order), order));
    contents.extend(chunk(b"data", &coding.payload(order), order));
    for (id, bytes) in beside {
        contents.extend(chunk(id, bytes, order));
    }
    chunk(if order == Order::Big { b"RIFX" } else { b"RIFF" }, &contents, order)
}

/// RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088): sizes in `ds64`.
pub(super) fn large_riff(form: [u8; 4], coding: Coding, beside: &[(&[u8], &[u8])]) -> Vec<u8> {
    let mut file = riff(coding, Order::Little, beside);
    let data = file.windows(4).position(|window| window == b"data").expect("a data chunk") + 4;
    let mut ds64 = Vec::new();
    for size in [file.len() as u64 + 36 - 8, coding.payload(Order::Little).len() as u64, 0] {
        put(&mut ds64, Order::Little, size, 8);
    }
    put(&mut ds64, Order::Little, 0, 4);
    file[data..data + 4].fill(0xFF);
    file[..4].copy_from_slice(&form);
    file[4..8].fill(0xFF);
    file.splice(12..12, chunk(b"ds64", &ds64, Order::Little));
    file
}

/// Wave64: chunks with a GUID, and sizes of 64 bits that count their own head and are padded to eight bytes.
pub(super) fn wave64(coding: Coding, beside: &[(&[u8], &[u8])]) -> Vec<u8> {
    const REST: [u8; 12] = *b"\xF3\xAC\xD3\x11\x8C\xD1\x00\xC0\x4F\x8E\xDB\x8A";
    let large = |id: &[u8], contents: &[u8]| {
        let mut bytes = [id, &REST].concat();
        put(&mut bytes, Order::Little, contents.len() as u64 + 24, 8);
        bytes.extend(contents);
        bytes.resize(bytes.len().next_multiple_of(8), 0);
        bytes
    };
    let mut contents = [&b"wave"[..], &REST].concat();
    contents.extend(large(b"fmt ", &fmt(coding, Order::Little)));
    contents.extend(large(b"data", &coding.payload(Order::Little)));
    for (id, bytes) in beside {
        contents.extend(large(id, bytes));
    }
    let mut file = b"riff\x2E\x91\xCF\x11\xA5\xD6\x28\xDB\x04\xC1\x00\x00".to_vec();
    put(&mut file, Order::Little, contents.len() as u64 + 24, 8);
    file.extend(contents);
    file
}

/// Audio Interchange File Format 1.3 (1989) and AIFF-C (1991); the compression says coding and order.
pub(super) fn aiff(compression: Option<&[u8; 4]>, coding: Coding, order: Order) -> Vec<u8> {
    let frames = coding.samples().len() as u64 / u64::from(CHANNELS);
    let mut comm = Vec::new();
    put(&mut comm, Order::Big, CHANNELS.into(), 2);
    put(&mut comm, Order::Big, frames, 4);
    put(&mut comm, Order::Big, coding.bits().into(), 2);
    comm.extend(b"\x40\x0E\xBB\x80\0\0\0\0\0\0");
    let mut contents = if compression.is_some() { b"AIFC".to_vec() } else { b"AIFF".to_vec() };
    if let Some(id) = compression {
        contents.extend(b"FVER\0\0\0\x04\xA2\x80\x51\x40");
        comm.extend(id);
        comm.extend([0, 0]);
    }
    contents.extend(chunk(b"COMM", &comm, Order::Big));
    contents.extend(chunk(b"SSND", &[&[0; 8], &coding.payload(order)[..]].concat(), Order::Big));
    chunk(b"FORM", &contents, Order::Big)
}

/// Apple Core Audio Format Specification 1.0; of the flags, 1 is "float" and 2 is "little-endian".
pub(super) fn caf(coding: Coding, order: Order) -> Vec<u8> {
    let (format, float) = match coding {
        Coding::ALaw => (b"alaw", 0),
        Coding::MuLaw => (b"ulaw", 0),
        Coding::F32 | Coding::F64 => (b"lpcm", 1),
        _ => (b"lpcm", 0),
    };
    let flags = float | if order == Order::Little { 2 } else { 0 };
    let mut file = b"caff\0\x01\0\0desc\0\0\0\0\0\0\0\x20".to_vec();
    file.extend(f64::from(RATE_HZ).to_be_bytes());
    file.extend(format);
    let channels = u64::from(CHANNELS);
    for field in [flags, coding.bytes() as u64 * channels, 1, channels, coding.bits().into()] {
        put(&mut file, Order::Big, field, 4);
    }
    let payload = coding.payload(order);
    file.extend(b"data");
    put(&mut file, Order::Big, payload.len() as u64 + 4, 8);
    file.extend([0; 4]);
    file.extend(payload);
    file
}
