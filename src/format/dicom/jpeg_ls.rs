//! JPEG-LS (ITU-T T.87, ISO/IEC 14495-1) for single-component images of 8 and 16 bits.
//!
//! The scheme predicts each sample from its left and upper neighbours, corrects the prediction by
//! what it learned in this context of local gradients, and codes the rest in Golomb codes whose
//! parameter adapts; flat stretches go as runs. The names of variables below are the standard's:
//! `A`, `B`, `C`, `N` of a context, `k`, `RANGE`, `LIMIT`. Both directions share one model, so they
//! cannot drift apart; that both follow the standard is tested against another codec.
//!
//! Written is lossless only; read is also near-lossless. Restart intervals, several components and
//! mapping tables are refused.

/// Order of run lengths, table A.1... `J` in the standard
const J: [u32; 32] =
    [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8, 9, 10, 11, 12, 13, 14, 15];

/// Contexts of the regular mode
const REGULAR: usize = 365;

/// What an image header says
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stated {
    /// Samples in a row
    pub(super) width: u32,
    /// Rows
    pub(super) height: u32,
    /// Bits of a sample
    pub(super) bits: u32,
    /// Components
    pub(super) components: u32,
}

/// The image header (SOF55) of a stream, where it has one
pub(super) fn stated(data: &[u8]) -> Option<Stated> {
    segments(data).find_map(|segment| match segment {
        (0xF7, body) => frame_header(body),
        _ => None,
    })
}

/// Height, width, bits and components of a frame header, the same in all JPEG standards
pub(super) fn frame_header(body: &[u8]) -> Option<Stated> {
    let head = body.first_chunk::<6>()?;
    let word = |at: usize| u32::from(u16::from_be_bytes([head[at], head[at + 1]]));
    Some(Stated { width: word(3), height: word(1), bits: u32::from(head[0]), components: u32::from(head[5]) })
}

/// By how many codes samples may be off: NEAR of the start of scan, annex C.2.3
pub(super) fn near(data: &[u8]) -> Option<u8> {
    let body = segments(data).find(|(marker, _)| *marker == 0xDA)?.1;
    body.get(1 + 2 * usize::from(*body.first()?)).copied()
}

/// The marker segments up to and with the start of scan: marker and body
pub(super) fn segments(data: &[u8]) -> impl Iterator<Item = (u8, &[u8])> {
    let mut at = if data.starts_with(&[0xFF, 0xD8]) { Some(2) } else { None };
    std::iter::from_fn(move || {
        let begin = at?;
        let head = data.get(begin..)?.first_chunk::<4>()?;
        let length = usize::from(u16::from_be_bytes([head[2], head[3]]));
        let body = data.get(begin + 4..begin + 2 + length.max(2))?;
        if head[0] != 0xFF || length < 2 {
            at = None;
            return None;
        }
        at = (head[1] != 0xDA).then_some(begin + 2 + length);
        Some((head[1], body))
    })
}

/// Coding parameters, annex C.2.4.1
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Parameters {
    maximum: i32,
    near: i32,
    thresholds: [i32; 3],
    reset: i32,
}

impl Parameters {
    /// The defaults for a greatest sample of at least 128
    fn default(maximum: i32, near: i32) -> Self {
        let clamp = |value: i32, least: i32| if value > maximum || value < least { least } else { value };
        let factor = (maximum.min(4095) + 128) / 256;
        let first = clamp(factor + 2 + 3 * near, near + 1);
        let second = clamp(4 * factor + 3 + 5 * near, first);
        let third = clamp(17 * factor + 4 + 7 * near, second);
        Self { maximum, near, thresholds: [first, second, third], reset: 64 }
    }
}

/// A context of the regular mode
#[derive(Clone, Copy)]
struct Context {
    a: i32,
    b: i32,
    c: i32,
    n: i32,
}

/// A context of run interruption
#[derive(Clone, Copy)]
struct RunContext {
    a: i32,
    n: i32,
    negative: i32,
}

/// What both directions know and learn
struct Model {
    parameters: Parameters,
    range: i32,
    qbpp: u32,
    limit: u32,
    contexts: Vec<Context>,
    runs: [RunContext; 2],
    run_index: usize,
}

/// The golomb parameter: the least k with n 2^k >= a
fn golomb(n: i32, a: i32) -> u32 {
    let mut k = 0;
    while (i64::from(n) << k) < i64::from(a) && k < 24 {
        k += 1;
    }
    k
}

impl Model {
    fn new(parameters: Parameters) -> Self {
        let Parameters { maximum, near, .. } = parameters;
        let range = (maximum + 2 * near) / (2 * near + 1) + 1;
        let bits_for = |values: i32| 32 - (values - 1).max(0).leading_zeros();
        let bpp = bits_for(maximum + 1).max(2);
        let a = ((range + 32) / 64).max(2);
        Self {
            parameters,
            range,
            qbpp: bits_for(range),
            limit: 2 * (bpp + bpp.max(8)),
            contexts: vec![Context { a, b: 0, c: 0, n: 1 }; REGULAR],
            runs: [RunContext { a, n: 1, negative: 0 }; 2],
            run_index: 0,
        }
    }

    /// A gradient in nine steps, A.3.3
    fn quantize(&self, gradient: i32) -> i32 {
        let [first, second, third] = self.parameters.thresholds;
        let size = gradient.abs();
        let step = if size <= self.parameters.near {
            0
        } else if size < first {
            1
        } else if size < second {
            2
        } else if size < third {
            3
        } else {
            4
        };
        step * gradient.signum()
    }

    /// The context of these neighbours and its sign; `None` in flat surroundings (run mode)
    fn context(&self, ra: i32, rb: i32, rc: i32, rd: i32) -> Option<(usize, i32)> {
        let q = (self.quantize(rd - rb) * 9 + self.quantize(rb - rc)) * 9 + self.quantize(rc - ra);
        (q != 0).then(|| (q.unsigned_abs() as usize, q.signum()))
    }

    /// The corrected prediction, A.4
    fn predict(&self, context: usize, sign: i32, ra: i32, rb: i32, rc: i32) -> i32 {
        let edge = if rc >= ra.max(rb) {
            ra.min(rb)
        } else if rc <= ra.min(rb) {
            ra.max(rb)
        } else {
            ra + rb - rc
        };
        (edge + sign * self.contexts[context].c).clamp(0, self.parameters.maximum)
    }

    /// An error in steps of the allowed one, reduced modulo the range, A.4.4 and A.4.5
    fn reduce(&self, error: i32) -> i32 {
        let near = self.parameters.near;
        let steps =
            if error > 0 { (error + near) / (2 * near + 1) } else { -((near - error) / (2 * near + 1)) };
        let positive = if steps < 0 { steps + self.range } else { steps };
        if positive >= (self.range + 1) / 2 { positive - self.range } else { positive }
    }

    /// The sample of a prediction and a (signed) error in steps
    fn reconstruct(&self, prediction: i32, error: i32) -> i32 {
        let Parameters { maximum, near, .. } = self.parameters;
        let step = 2 * near + 1;
        let value = prediction + error * step;
        let wrapped = if value < -near {
            value + self.range * step
        } else if value > maximum + near {
            value - self.range * step
        } else {
            value
        };
        wrapped.clamp(0, maximum)
    }

    /// Whether the codes of a context are exchanged: errors lean to the negative, A.5.2
    fn inverted(&self, context: usize, k: u32) -> bool {
        let Context { b, n, .. } = self.contexts[context];
        self.parameters.near == 0 && k == 0 && 2 * b <= -n
    }

    /// What a context learns from an error, A.6
    fn learn(&mut self, context: usize, error: i32) {
        let step = 2 * self.parameters.near + 1;
        let context = &mut self.contexts[context];
        // A stream may set a reset so late that sums would overflow.
        context.b = context.b.saturating_add(error * step);
        context.a = context.a.saturating_add(error.abs());
        if context.n == self.parameters.reset {
            context.a >>= 1;
            context.b >>= 1;
            context.n >>= 1;
        }
        context.n += 1;
        if context.b <= -context.n {
            context.b = (context.b + context.n).max(1 - context.n);
            context.c = (context.c - 1).max(-128);
        } else if context.b > 0 {
            context.b = (context.b - context.n).min(0);
            context.c = (context.c + 1).min(127);
        }
    }

    /// The golomb parameter of an interrupted run, A.7.2
    fn run_golomb(&self, kind: usize) -> u32 {
        let RunContext { a, n, .. } = self.runs[kind];
        golomb(n, if kind == 1 { a + (n >> 1) } else { a })
    }

    /// Whether a negative error takes the odd code in this context
    fn run_negative_odd(&self, kind: usize, k: u32) -> bool {
        let RunContext { n, negative, .. } = self.runs[kind];
        k != 0 || 2 * negative >= n
    }

    /// What the context of interrupted runs learns
    fn run_learn(&mut self, kind: usize, error: i32, mapped: i32) {
        let reset = self.parameters.reset;
        let context = &mut self.runs[kind];
        context.negative += i32::from(error < 0);
        context.a = context.a.saturating_add((mapped + 1 - kind as i32) >> 1);
        if context.n == reset {
            context.a >>= 1;
            context.n >>= 1;
            context.negative >>= 1;
        }
        context.n += 1;
    }

    fn run_limit(&self) -> u32 {
        self.limit - J[self.run_index] - 1
    }

    fn longer(&mut self) {
        self.run_index = (self.run_index + 1).min(31);
    }

    fn shorter(&mut self) {
        self.run_index = self.run_index.saturating_sub(1);
    }
}

/// Bits into bytes; after a byte of ones the next holds seven bits, annex A.1
struct BitWriter {
    bytes: Vec<u8>,
    held: u64,
    count: u32,
}

impl BitWriter {
    /// Appends the low `count` bits of `bits`, at most 32
    fn put(&mut self, bits: u32, count: u32) {
        if count == 0 {
            return;
        }
        self.held = (self.held << count) | (u64::from(bits) & ((1 << count) - 1));
        self.count += count;
        loop {
            let room = if self.bytes.last() == Some(&0xFF) { 7 } else { 8 };
            if self.count < room {
                return;
            }
            self.count -= room;
            self.bytes.push((self.held >> self.count) as u8 & (0xFF >> (8 - room)));
        }
    }

    fn zeros(&mut self, mut count: u32) {
        while count > 24 {
            self.put(0, 24);
            count -= 24;
        }
        self.put(0, count);
    }

    /// A limited golomb code, A.5.3
    fn golomb(&mut self, mapped: i32, k: u32, limit: u32, qbpp: u32) {
        let mapped = mapped as u32;
        let high = mapped >> k;
        if high < limit - qbpp - 1 {
            self.zeros(high);
            self.put(1, 1);
            self.put(mapped, k);
        } else {
            self.zeros(limit - qbpp - 1);
            self.put(1, 1);
            self.put(mapped - 1, qbpp);
        }
    }

    fn finish(mut self) -> Vec<u8> {
        if self.count > 0 {
            let room = if self.bytes.last() == Some(&0xFF) { 7 } else { 8 };
            self.put(0, room - self.count);
        }
        if self.bytes.last() == Some(&0xFF) {
            self.bytes.push(0);
        }
        self.bytes
    }
}

/// Encodes an image without loss
///
/// `samples` holds `width * height` values below 2^bits; bits are 8 to 16, sides 1 to 65535.
pub(super) fn encode(samples: &[u16], width: usize, height: usize, bits: u32) -> Vec<u8> {
    let parameters = Parameters::default((1 << bits) - 1, 0);
    let [h, w] = [height, width].map(|side| (side as u16).to_be_bytes());
    let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xF7, 0, 11, bits as u8, h[0], h[1], w[0], w[1], 1, 1, 0x11, 0];
    if bits > 12 {
        // The defaults said aloud: decoders are known to disagree on them beyond 12 bits.
        bytes.extend([0xFF, 0xF8, 0, 13, 1]);
        let [first, second, third] = parameters.thresholds;
        for value in [parameters.maximum, first, second, third, parameters.reset] {
            bytes.extend((value as u16).to_be_bytes());
        }
    }
    bytes.extend([0xFF, 0xDA, 0, 8, 1, 1, 0, 0, 0, 0]);
    let mut model = Model::new(parameters);
    let mut out = BitWriter { bytes: Vec::with_capacity(samples.len()), held: 0, count: 0 };
    let mut above = vec![0i32; width + 2];
    let mut line = vec![0i32; width + 2];
    for row in samples.chunks_exact(width) {
        for (slot, sample) in line[1..].iter_mut().zip(row) {
            *slot = i32::from(*sample);
        }
        line[0] = above[1];
        above[width + 1] = above[width];
        encode_line(&mut model, &mut out, &above, &line, width);
        std::mem::swap(&mut above, &mut line);
    }
    bytes.extend(out.finish());
    bytes.extend([0xFF, 0xD9]);
    bytes
}

fn encode_line(model: &mut Model, out: &mut BitWriter, above: &[i32], line: &[i32], width: usize) {
    let mut x = 1;
    while x <= width {
        let (ra, rb, rc, rd) = (line[x - 1], above[x], above[x - 1], above[x + 1]);
        if let Some((context, sign)) = model.context(ra, rb, rc, rd) {
            let prediction = model.predict(context, sign, ra, rb, rc);
            let error = model.reduce(sign * (line[x] - prediction));
            let k = golomb(model.contexts[context].n, model.contexts[context].a);
            let code = if model.inverted(context, k) { -error - 1 } else { error };
            let mapped = if code >= 0 { 2 * code } else { -2 * code - 1 };
            out.golomb(mapped, k, model.limit, model.qbpp);
            model.learn(context, error);
            x += 1;
            continue;
        }
        let mut run = line[x..=width].iter().take_while(|sample| **sample == ra).count();
        x += run;
        while run >= 1 << J[model.run_index] {
            out.put(1, 1);
            run -= 1 << J[model.run_index];
            model.longer();
        }
        if x > width {
            if run > 0 {
                out.put(1, 1);
            }
            return;
        }
        out.put(0, 1);
        out.put(run as u32, J[model.run_index]);
        let rb = above[x];
        let kind = usize::from(ra == rb);
        let (prediction, sign) = if kind == 1 { (ra, 1) } else { (rb, if ra > rb { -1 } else { 1 }) };
        let error = model.reduce(sign * (line[x] - prediction));
        let k = model.run_golomb(kind);
        let odd = error != 0 && (error < 0) == model.run_negative_odd(kind, k);
        let mapped = 2 * error.abs() - kind as i32 - i32::from(odd);
        out.golomb(mapped, k, model.run_limit(), model.qbpp);
        model.run_learn(kind, error, mapped);
        model.shorter();
        x += 1;
    }
}

/// Bits out of bytes, up to the next marker
struct BitReader<'a> {
    data: &'a [u8],
    at: usize,
    held: u64,
    count: u32,
    after_ones: bool,
}

impl BitReader<'_> {
    fn fill(&mut self) {
        while self.count <= 48 {
            let Some(&byte) = self.data.get(self.at) else { return };
            let room = if self.after_ones { 7 } else { 8 };
            // A byte of ones followed by a high bit is a marker, as is one at the end.
            if self.after_ones && byte & 0x80 != 0 {
                return;
            }
            if byte == 0xFF && self.data.get(self.at + 1).is_none_or(|next| next & 0x80 != 0) {
                return;
            }
            self.held = (self.held << room) | u64::from(byte);
            self.count += room;
            self.after_ones = byte == 0xFF;
            self.at += 1;
        }
    }

    /// The next `count` bits, at most 32
    fn take(&mut self, count: u32) -> Result<u32, &'static str> {
        if self.count < count {
            self.fill();
            if self.count < count {
                return Err("its code stream ends too early");
            }
        }
        self.count -= count;
        Ok((self.held >> self.count) as u32 & ((1u64 << count) - 1) as u32)
    }

    /// A limited golomb code
    fn golomb(&mut self, k: u32, limit: u32, qbpp: u32) -> Result<i32, &'static str> {
        let mut zeros = 0;
        loop {
            if self.count == 0 {
                self.fill();
                if self.count == 0 {
                    return Err("its code stream ends too early");
                }
            }
            // Zeros before the next one among the bits held.
            let window = self.held << (64 - self.count);
            let ahead = window.leading_zeros().min(self.count);
            zeros += ahead;
            if zeros > limit {
                return Err("a code in it is too long");
            }
            self.count -= ahead;
            if self.count > 0 {
                self.count -= 1;
                break;
            }
        }
        if zeros < limit - qbpp - 1 {
            Ok(((zeros << k) | self.take(k)?) as i32)
        } else {
            Ok(self.take(qbpp)? as i32 + 1)
        }
    }
}

/// Decodes a single-component image into `out`, row by row
///
/// # Errors
/// Says in words what is wrong with the stream.
pub(super) fn decode(data: &[u8], mut out: impl FnMut(usize, &[i32])) -> Result<(), &'static str> {
    let mut stated = None;
    let mut preset: Option<[i32; 5]> = None;
    let mut near = None;
    let mut scan = 0;
    for (marker, body) in segments(data) {
        match marker {
            0xF7 => stated = frame_header(body),
            0xF8 if body.first() == Some(&1) => {
                let body = body.get(1..11).ok_or("its preset parameters are cut off")?;
                let (words, _) = body.as_chunks::<2>();
                let mut values = [0; 5];
                for (value, word) in values.iter_mut().zip(words) {
                    *value = i32::from(u16::from_be_bytes(*word));
                }
                preset = Some(values);
            }
            0xF8 => return Err("mapping tables are not supported"),
            0xDD if body.iter().any(|byte| *byte != 0) => return Err("restart intervals are not supported"),
            0xDA => {
                // One component, no mapping table, not interleaved, no point transform.
                let [1, _, 0, allowed, 0, 0] = *body else { return Err("its kind of scan is not supported") };
                near = Some(i32::from(allowed));
                scan = body.as_ptr() as usize - data.as_ptr() as usize + body.len();
            }
            _ => {}
        }
    }
    let (Some(stated), Some(near)) = (stated, near) else { return Err("it has no image or no scan") };
    if stated.components != 1 || !(8..=16).contains(&stated.bits) {
        return Err("it has several components or an unusual number of bits");
    }
    let parameters = parameters(stated.bits, near, preset)?;
    let (width, height) = (stated.width as usize, stated.height as usize);
    let mut model = Model::new(parameters);
    let mut bits = BitReader { data: &data[scan..], at: 0, held: 0, count: 0, after_ones: false };
    let mut above = vec![0i32; width + 2];
    let mut line = vec![0i32; width + 2];
    for row in 0..height {
        line[0] = above[1];
        above[width + 1] = above[width];
        decode_line(&mut model, &mut bits, &above, &mut line, width)?;
        out(row, &line[1..=width]);
        std::mem::swap(&mut above, &mut line);
    }
    Ok(())
}

/// The parameters of a stream: what it presets, else the defaults; refused where they contradict
fn parameters(bits: u32, near: i32, preset: Option<[i32; 5]>) -> Result<Parameters, &'static str> {
    let [maximum, first, second, third, reset] = preset.unwrap_or_default();
    let maximum = if maximum == 0 { (1 << bits) - 1 } else { maximum };
    if !(128..1 << bits).contains(&maximum) || near > (maximum / 2).min(255) {
        return Err("its parameters are not supported");
    }
    let mut parameters = Parameters::default(maximum, near);
    for (slot, value) in parameters.thresholds.iter_mut().zip([first, second, third]) {
        if value != 0 {
            *slot = value;
        }
    }
    if reset != 0 {
        parameters.reset = reset;
    }
    let [first, second, third] = parameters.thresholds;
    let ordered = near < first && first <= second && second <= third && third <= maximum;
    if !ordered || parameters.reset < 3 {
        return Err("its parameters contradict each other");
    }
    Ok(parameters)
}

fn decode_line(
    model: &mut Model,
    bits: &mut BitReader<'_>,
    above: &[i32],
    line: &mut [i32],
    width: usize,
) -> Result<(), &'static str> {
    let mut x = 1;
    while x <= width {
        let (ra, rb, rc, rd) = (line[x - 1], above[x], above[x - 1], above[x + 1]);
        if let Some((context, sign)) = model.context(ra, rb, rc, rd) {
            let prediction = model.predict(context, sign, ra, rb, rc);
            let k = golomb(model.contexts[context].n, model.contexts[context].a);
            let mapped = bits.golomb(k, model.limit, model.qbpp)?;
            let code = if mapped % 2 == 0 { mapped / 2 } else { -(mapped / 2) - 1 };
            let error = if model.inverted(context, k) { -code - 1 } else { code };
            if error.abs() > model.range {
                return Err("an error in it is out of range");
            }
            model.learn(context, error);
            line[x] = model.reconstruct(prediction, sign * error);
            x += 1;
            continue;
        }
        let end = run_end(model, bits, x, width)?;
        line[x..end].fill(ra);
        x = end;
        if x > width {
            return Ok(());
        }
        let rb = above[x];
        let kind = usize::from((ra - rb).abs() <= model.parameters.near);
        let (prediction, sign) = if kind == 1 { (ra, 1) } else { (rb, if ra > rb { -1 } else { 1 }) };
        let k = model.run_golomb(kind);
        let mapped = bits.golomb(k, model.run_limit(), model.qbpp)?;
        let doubled = mapped + kind as i32;
        let odd = doubled % 2;
        // Half, rounded up.
        let size = (doubled >> 1) + odd;
        if size > model.range {
            return Err("an error in it is out of range");
        }
        let error = if model.run_negative_odd(kind, k) == (odd == 1) { -size } else { size };
        model.run_learn(kind, error, mapped);
        line[x] = model.reconstruct(prediction, sign * error);
        model.shorter();
        x += 1;
    }
    Ok(())
}

/// Where a run that starts at `x` ends: the place after its last sample
fn run_end(
    model: &mut Model,
    bits: &mut BitReader<'_>,
    x: usize,
    width: usize,
) -> Result<usize, &'static str> {
    let mut end = x;
    while bits.take(1)? == 1 {
        let length = 1usize << J[model.run_index];
        if end + length <= width + 1 {
            end += length;
            model.longer();
        } else {
            end = width + 1;
        }
        if end > width {
            return Ok(end);
        }
    }
    end += bits.take(J[model.run_index])? as usize;
    if end > width { Err("a run in it is longer than its row") } else { Ok(end) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn default_parameters_are_the_standards() {
        // T.87 table C.3 gives T1 = 3, T2 = 7, T3 = 21 for eight bits; for 12 and more bits the
        // formulas of C.2.4.1.1 give 18, 67, 276.
        assert_eq!(Parameters::default(255, 0).thresholds, [3, 7, 21]);
        assert_eq!(Parameters::default(65535, 0).thresholds, [18, 67, 276]);
        let model = Model::new(Parameters::default(255, 0));
        assert_eq!((model.range, model.qbpp, model.limit), (256, 8, 32));
        let model = Model::new(Parameters::default(65535, 0));
        assert_eq!((model.range, model.qbpp, model.limit), (65536, 16, 64));
    }

    #[test]
    fn the_worked_example_of_the_standard() {
        // T.87 annex H.3: a 4 x 4 image of eight bits and its code stream (from memory).
        let samples = [0u16, 0, 90, 74, 68, 50, 43, 205, 64, 145, 145, 145, 100, 145, 145, 145];
        let coded = encode(&samples, 4, 4, 8);
        let expected = [
            0xFF, 0xD8, 0xFF, 0xF7, 0x00, 0x0B, 0x08, 0x00, 0x04, 0x00, 0x04, 0x01, 0x01, 0x11, 0x00, 0xFF,
            0xDA, 0x00, 0x08, 0x01, 0x01, 0x00, 0x00, 0x00, 0x00, 0xC0, 0x00, 0x00, 0x6C, 0x80, 0x20, 0x8E,
            0x01, 0xC0, 0x00, 0x00, 0x57, 0x40, 0x00, 0x00, 0x6E, 0xE6, 0x00, 0x00, 0x01, 0xBC, 0x18, 0x00,
            0x00, 0x05, 0xD8, 0x00, 0x00, 0x91, 0x60, 0xFF, 0xD9,
        ];
        assert_eq!(coded, expected);
        let mut back = Vec::new();
        decode(&coded, |_, row| back.extend_from_slice(row)).unwrap();
        assert_eq!(back, samples.map(i32::from));
    }
}
