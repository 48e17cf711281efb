//! Good shows: what is written, what is filled in, and what is laid over what.

use super::{assert_reading_is_whole, example, read};
use fogbell::show::model::*;
use fogbell::tempo::length::{minutes, song_seconds};
use fogbell::units::{Decibels, Whole};
use num_rational::Ratio;

fn show(text: &str) -> Show {
    let reading = read(text);
    assert_reading_is_whole(&reading);
    let faults = fogbell::show::render(&reading.faults, &reading.text, "show.toml", false);
    assert_eq!(reading.faults, [], "{faults}");
    reading.show.expect("a good show")
}

fn song(lines: &str) -> Song {
    show(&format!("[[song]]\ntitle = \"Low Tide\"\n{lines}\n")).songs.remove(0)
}

fn quarters(per_minute: i64) -> Tempo {
    Tempo { note: Whole::new(1, 4), per_minute: Ratio::from_integer(per_minute) }
}

#[test]
fn ten_lines_are_a_useful_show() {
    let show = show(&example("ten_lines.toml"));
    assert_eq!(show.title, "Saltmarsh Five, Thursday");
    let clicks: Vec<_> = show.clicks.iter().map(|click| click.name.as_str()).collect();
    assert_eq!(clicks, ["drums", "band"]);
    let feeds: Vec<_> =
        show.feeds.iter().map(|feed| (feed.name.as_str(), feed.stereo, feed.parts.len())).collect();
    assert_eq!(feeds, [("drums", false, 1), ("band", false, 1)]);
    assert_eq!((show.ceiling, show.give_back), (Decibels(-6.0), GiveBack::Stay));
    let low_tide = &show.songs[0];
    assert_eq!(low_tide.sections.len(), 1);
    assert_eq!(low_tide.sections[0].bars.len(), 120);
    assert_eq!(low_tide.sections[0].parts[0].primary.subdivision, Subdivision::Notes(Whole::new(1, 8)));
    assert_eq!(low_tide.sections[0].parts[1].primary.subdivision, Subdivision::Beats);
    assert_eq!(low_tide.sections[0].parts[0].primary.levels, Levels::default());
    // 120 bars of four at 132: 480 * 60 / 132 s.
    assert!((song_seconds(low_tide) - 480.0 * 60.0 / 132.0).abs() < 1e-9);
    assert_eq!(minutes(song_seconds(low_tide)), "3:38");
    assert_eq!(low_tide.line, 3);
    assert_eq!(show.digest.len(), 64);
    assert!(show.clicks.iter().all(|click| !click.separate_fallback));
}

/// The value is that of GNU coreutils' `sha256sum` over the same bytes.
#[test]
fn the_digest_is_the_sha_256_of_the_text() {
    let show = show("[[song]]\ntitle = \"a\"\ntempo = 60\nbars = 1\n");
    assert_eq!(show.digest, "10874fa79fc0f8ec8b46865ca0a9e26cd1719b79d29da4f5b730902492daa967");
}

#[test]
fn everything_that_is_written_arrives() {
    let show = show(&example("everything.toml"));
    assert_eq!(show.clicks[0].player, "Wren");
    assert_eq!(
        show.clicks.iter().map(|click| click.separate_fallback).collect::<Vec<_>>(),
        [true, true, false, true]
    );
    assert_eq!(show.give_back, GiveBack::NextBar);
    let room = &show.inputs[0];
    assert_eq!((room.kind, room.in_song, room.high_pass_hertz), (InputKind::Ambient, Decibels(-12.0), 150.0));
    assert_eq!((room.trim, room.steep, room.low_pass_hertz), (Decibels(3.0), true, 12_000.0));
    assert_eq!((room.delay_ms, room.gate), (3.5, Some(Decibels(-60.0))));
    assert_eq!(room.compress, Some(Compression { above: Decibels(-30.0), ratio: 3.0 }));
    assert_eq!(show.inputs[1].kind, InputKind::Talkback);
    assert_eq!((show.inputs[1].talks, show.inputs[1].gate), (Talks::ByVoice, Some(Decibels(-40.0))));

    assert_eq!(show.latch, Latch { in_row: 2, of_eight: 4 });
    let drums: Vec<_> = show.feeds[0].parts.iter().map(|part| (part.source, part.level)).collect();
    assert_eq!(
        drums,
        [
            (FeedSource::Click(0), Decibels(0.0)),
            (FeedSource::Input(0), Decibels(-12.0)),
            (FeedSource::Fallback(0), Decibels(-6.0))
        ]
    );
    assert_eq!((show.feeds[1].stereo, show.feeds[1].parts[1].pan), (true, -0.5));
    let bell = show.sounds.iter().find(|sound| sound.name == "bell").expect("bell");
    assert!(matches!(&bell.accent, SoundSource::Wav(path) if path.ends_with("../sounds/bell.wav")));
    assert!(matches!(bell.eighth, SoundSource::Synth(synth) if synth.hertz == 800.0));
    // An exponential falls by 60 dB in ln(1000) = 6.9078 of its time constants.
    assert!(matches!(bell.beat, SoundSource::Synth(synth) if (synth.decay_ms * 6.9078 - 30.0).abs() < 1e-3));
}

#[test]
fn a_click_that_comes_in_is_followed_as_written_and_heard_as_its_click() {
    let show = show(&example("everything.toml"));
    let external: Vec<_> = show.clicks.iter().map(|click| click.external).collect();
    assert_eq!(external, [None, None, None, Some(2)]);
    let pad = &show.inputs[2];
    let written = ExternalClick { safety_delay_ms: 10.0, starts_song: true, tolerance_ms: Some(7.5) };
    assert_eq!((pad.name.as_str(), pad.kind, pad.external), ("pad", InputKind::Click, written));
    assert_eq!(show.feeds[2].parts[2].source, FeedSource::Click(3));
}

#[test]
fn a_click_that_comes_in_has_usual_settings_and_is_in_no_feed_by_itself() {
    let text = "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\n[input.room]\n[[song]]\n\
                title = \"Low Tide\"\ntempo = 132\nbars = 4\n";
    let read = show(text);
    let usual = ExternalClick { safety_delay_ms: 8.0, starts_song: false, tolerance_ms: None };
    assert_eq!((read.inputs[0].external, read.latch), (usual, Latch { in_row: 2, of_eight: 3 }));
    assert!(read.clicks[0].separate_fallback, "what fills in has a lane of its own");
    let heard: Vec<_> = read.feeds[0].parts.iter().map(|part| part.source).collect();
    assert_eq!(heard, [FeedSource::Click(0), FeedSource::Input(1)]);
    // Without a safety delay an onset may come later; five in a row are five of eight at least.
    let bare = text.replace(
        "[input.room]",
        "safety_delay_ms = 0\ntolerance_ms = 20\n[failover]\nlatch = { in_row = 5 }",
    );
    let bare = show(&bare);
    assert_eq!(
        (bare.inputs[0].external.safety_delay_ms, bare.inputs[0].external.tolerance_ms),
        (0.0, Some(20.0))
    );
    assert_eq!(bare.latch, Latch { in_row: 5, of_eight: 5 });
}

#[test]
fn everything_of_a_song_arrives() {
    let show = show(&example("everything.toml"));
    let song = &show.songs[0];
    assert_eq!(
        (song.note.as_str(), song.segue, song.encore, song.pickup),
        ("Wren counts", true, false, Whole::new(1, 8))
    );
    assert_eq!(song.click_ranges[0].from, Some(BarBeat { bar: 3, beat: 1 }));
    assert_eq!(song.click_ranges[0].until, Some(BarBeat { bar: 40, beat: 3 }));
    let stream = song.streams[1].as_ref().expect("stream");
    assert_eq!(
        (stream.starts, stream.offset_ms, stream.channel, stream.level),
        (StreamStart::BarOne, 12.5, 1, Decibels(-3.0))
    );
    let count_in = song.count_in.as_ref().expect("count-in");
    let counts: Vec<_> = count_in.counts.iter().map(|count| (count.at, count.number, count.accent)).collect();
    let at = |quarters| Whole::new(quarters, 4);
    assert_eq!(
        counts,
        [
            (at(0), 1, true),
            (at(2), 2, false),
            (at(4), 1, true),
            (at(5), 2, false),
            (at(6), 3, false),
            (at(7), 4, false)
        ]
    );
    assert_eq!(
        (count_in.clicks.as_slice(), count_in.voice.as_ref().map(Vec::len)),
        ([0, 1].as_slice(), Some(4))
    );
    let kinds: Vec<_> = show.songs.iter().map(|song| (song.kind, song.sections.len())).collect();
    assert_eq!(kinds[1..3], [(SongKind::Talk, 0), (SongKind::NoClick, 0)]);
    assert!(show.songs[3].encore && show.songs[3].count_in.is_none());
    assert!(show.songs[4].sections[0].vamp);
}

#[test]
fn moves_lie_where_they_are_written() {
    let show = show(&example("everything.toml"));
    let verse = &show.songs[0].sections[1];
    assert_eq!(
        verse.moves,
        [
            TempoMove {
                from: Whole::new(8, 1),
                over: Whole::new(4, 1),
                to: quarters(140),
                law: Law::LinearInTime
            },
            TempoMove {
                from: Whole::new(29, 2),
                over: Whole::new(1, 1),
                to: quarters(132),
                law: Law::ExponentialInBeats
            },
        ]
    );
    let fade = verse.parts[0].fade.expect("fade");
    assert_eq!((fade.from, fade.over), (Whole::new(0, 1), Whole::new(4, 1)));
    let chorus = &show.songs[0].sections[2];
    let metres: Vec<_> = [0, 3, 4, 7, 8, 47].iter().map(|bar| chorus.bars[*bar].length()).collect();
    let (seven, three, five) = (Whole::new(7, 8), Whole::new(3, 4), Whole::new(5, 8));
    assert_eq!(metres, [seven, seven, three, three, five, five]);
    let outro = &show.songs[0].sections[3];
    assert_eq!((outro.bars[0].length(), outro.tempo, outro.hold), (five, chorus.tempo, true));
}

#[test]
fn the_nearest_table_wins_and_the_fallback_starts_from_the_primary() {
    let text = "[click.drums]\nevery = \"sixteenths\"\naccents = [1, 3]\nlevel = -1\nsound = \"buoy\"\n\
                levels = { beat = -4 }\nfallback = { every = \"beats\" }\n[click.keys]\n\
                [[song]]\ntitle = \"a\"\ntempo = 100\n[song.click.drums]\nevery = \"eighths\"\nlevel = -2\n\
                [[song.section]]\nname = \"one\"\nbars = 4\n[[song.section]]\nname = \"two\"\nbars = 4\n\
                [song.section.click.drums]\naccents = [2]\nlevels = { accent = 3 }\nsound = \"pebble\"\n\
                fallback = { accents = [] }\n";
    let show = show(text);
    let [one, two] = show.songs[0].sections.as_slice() else { panic!("two sections") };
    let sound = |part: &Part| show.sounds[part.sound].name.clone();
    let part = &one.parts[0];
    assert_eq!(part.primary.subdivision, Subdivision::Notes(Whole::new(1, 8)));
    assert_eq!(part.primary.accents, [1, 3]);
    assert_eq!((part.level, sound(part)), (Decibels(-2.0), "buoy".to_string()));
    assert_eq!(part.primary.levels, Levels { beat: Decibels(-4.0), ..Levels::default() });
    assert_eq!(part.fallback, Style { subdivision: Subdivision::Beats, ..part.primary.clone() });
    let part = &two.parts[0];
    assert_eq!((part.primary.accents.as_slice(), sound(part)), ([2].as_slice(), "pebble".to_string()));
    assert_eq!(part.primary.levels.accent, Decibels(3.0));
    assert_eq!((part.fallback.subdivision, part.fallback.accents.len()), (Subdivision::Beats, 0));
    assert_eq!(part.fallback.levels, part.primary.levels);
    let keys = &two.parts[1];
    assert_eq!((keys.primary.subdivision, sound(keys)), (Subdivision::Beats, "wood".to_string()));
    assert_eq!(show.clicks.iter().map(|click| click.separate_fallback).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn a_click_rests_where_it_is_told_to() {
    let song = song(
        "tempo = 100\n[song.click.drums]\nonly_in = [\"intro\"]\n[song.click.band]\nsilent = true\n\
         [[song.section]]\nname = \"intro\"\nbars = 4\n[[song.section]]\nname = \"verse\"\nbars = 4\n\
         [[song.section]]\nname = \"end\"\nbars = 4\n[song.section.click.drums]\nsilent = false\n\
         [song.section.click.band]\nsilent = false\n",
    );
    let sounds: Vec<_> =
        song.sections.iter().map(|section| (section.parts[0].sounds, section.parts[1].sounds)).collect();
    assert_eq!(sounds, [(true, false), (false, false), (true, true)]);
}

/// Starting values of the trade (common practice, no source): two bars "1 - 2 - / 1 2 3 4" in 4/4, one
/// below 80 beats a minute, odd metres one bar by their grouping.
#[test]
fn a_count_in_that_is_not_written_is_as_usual() {
    let numbers = |lines: &str| {
        let count_in = song(lines).count_in.expect("count-in");
        (
            count_in.bars.len(),
            count_in.counts.iter().map(|count| (count.at, count.number)).collect::<Vec<_>>(),
        )
    };
    let quarter = |n| Whole::new(n, 4);
    let full = [(quarter(0), 1), (quarter(1), 2), (quarter(2), 3), (quarter(3), 4)];
    assert_eq!(numbers("tempo = 79.9\nbars = 4").1, full);
    let (bars, counts) = numbers("tempo = 80\nbars = 4");
    assert_eq!((bars, counts.len()), (2, 6));
    let (bars, counts) = numbers("tempo = 132\nmetre = \"7/8\"\nbars = 4");
    assert_eq!(
        (bars, counts),
        (1, vec![(Whole::new(0, 8), 1), (Whole::new(2, 8), 2), (Whole::new(4, 8), 3)])
    );
    assert_eq!(numbers("tempo = 132\nmetre = \"3/4\"\nbars = 4").0, 1);
    assert_eq!(numbers("tempo = 88\nmetre = \"6/8\"\nbars = 4").0, 2);
    assert_eq!(numbers("tempo = 132\nbars = 4\ncount_in = 1").1, full);
    assert!(song("tempo = 132\nbars = 4\ncount_in = false").count_in.is_none());
}

#[test]
fn a_section_without_tempo_or_metre_goes_on_from_the_end_of_the_one_before() {
    let song = song(
        "tempo = 100\nmetre = \"3/4\"\n[[song.section]]\nbars = 4\n\
         metre_changes = [{ bar = 3, metre = \"6/8\" }]\ntempo_moves = [{ bar = 2, to = 90, over_bars = 1 }]\n\
         [[song.section]]\nbars = 4\n[[song.section]]\nbars = 4\nmetre = \"4/4\"\ntempo = 120\n",
    );
    let [_, second, third] = song.sections.as_slice() else { panic!("three sections") };
    assert_eq!((second.tempo, &second.bars[0]), (quarters(90), &Metre { groups: vec![3, 3], unit: 8 }));
    assert_eq!((third.tempo, third.name.as_str()), (quarters(120), "section 3"));
}

#[test]
fn places_count_performed_bars() {
    let lines = |from: &str| {
        format!(
            "tempo = 100\n[song.click.drums]\nfrom = {from}\n[[song.section]]\nbars = 4\nrepeats = 3\n\
             [[song.section]]\nbars = 2\nmetre = \"5/4\"\nvamp = true\n"
        )
    };
    assert_eq!(song(&lines("12.4")).click_ranges[0].from, Some(BarBeat { bar: 12, beat: 4 }));
    assert_eq!(song(&lines("\"13.5\"")).click_ranges[0].from, Some(BarBeat { bar: 13, beat: 5 }));
    assert_eq!(song(&lines("14")).click_ranges[0].from, Some(BarBeat { bar: 14, beat: 1 }));
    let text = format!("[[song]]\ntitle = \"a\"\n{}", lines("15"));
    assert!(read(&text).faults[0].allowed.starts_with("bars 1 to 14"));
}

#[test]
fn an_ambient_microphone_reaches_every_feed_that_is_not_written() {
    let show = show("[input.room]\n[[song]]\ntitle = \"a\"\ntempo = 60\nbars = 1\n");
    for feed in &show.feeds {
        assert_eq!(feed.parts[1], FeedPart::plain(FeedSource::Input(0), Decibels(-12.0)));
    }
}

#[test]
fn a_byte_order_mark_and_windows_line_ends_change_nothing() {
    let text = example("everything.toml");
    let plain = show(&text);
    let windows = show(&format!("\u{feff}{}", text.replace('\n', "\r\n")));
    assert_eq!(plain.songs.len(), windows.songs.len());
    assert_eq!(format!("{:?}", plain.songs), format!("{:?}", windows.songs));
}

#[test]
fn a_loudspeaker_takes_a_microphone_only_with_a_word_for_it_and_a_mono_pack_has_two_sides() {
    let show = show(
        "[input.room]\n[feed.wedge]\nto = \"loudspeaker\"\nhears = { drums = 0, room = { level = -20, may_howl = true, inverted = \"both\" } }\n[feed.wren]\npack = \"mono\"\nhears = [\"drums\", \"room\"]\n[[song]]\ntitle = \"a\"\ntempo = 60\nbars = 1\n",
    );
    let wedge = &show.feeds[0];
    assert!(wedge.loudspeaker && !wedge.stereo);
    assert!(wedge.parts[1].may_howl && wedge.parts[1].inverted == Sides::Both);
    assert!(show.feeds[1].mono_pack && show.feeds[1].stereo);
}
