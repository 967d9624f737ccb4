/**
 * @file audio.h  Back ends behind one table: PortAudio, a recording, the simulated unit.
 *
 * A back end plays a source, delivers what comes in to a sink, block by block in the caller's
 * thread, and never blocks for ever: a sound device that gives nothing for 3 s ends the run.
 */
#ifndef MENDTONE_AUDIO_H
#define MENDTONE_AUDIO_H

#include <mendtone/take.h>

#ifdef __cplusplus
extern "C" {
#endif

/** What to play, as a function of continuous time. */
typedef struct mt_audio_source {
  /** Render interleaved doubles: frame n is the value at t0_s + n * dt_s; +-1.0 = full scale. */
  void (*render)(void *ctx, double t0_s, double dt_s, size_t nframes, double *out);
  void *ctx;
  unsigned nchannels;
  double duration_s;
} mt_audio_source;

/** Where the capture goes. Every function returns MT_OK or a code that ends the run. */
typedef struct mt_audio_sink {
  /** Called once, before any block. `play_aligned`: frame 0 is when the source's time 0 was played. */
  mt_code (*begin)(void *ctx, double rate_hz, unsigned nchannels, bool play_aligned, mt_error *err);
  /** Interleaved float frames, +-1.0 = full scale. */
  mt_code (*block)(void *ctx, const float *frames, size_t nframes, mt_error *err);
  /** A problem the driver saw, at a frame counted from the first one delivered. */
  mt_code (*problem)(void *ctx, mt_problem_kind kind, double begin_s, double end_s, const char *text,
                     mt_error *err);
  void *ctx;
  /** Asked after each block: true ends the run there, in good order. NULL: never. */
  bool (*has_enough)(void *ctx);
} mt_audio_sink;

/** Told now and then how far a run is: 0...1. May be NULL. */
typedef void (*mt_audio_progress)(void *ctx, double done);

typedef struct mt_audio_request {
  /** PortAudio: (part of) a device's name, also "HOST API: NAME", NULL: the default; file: its path;
   * simulated unit: the path of its description. */
  const char *input;
  /** PortAudio only; NULL: the same device if it has outputs, else the default. */
  const char *output;
  double rate_hz; /**< PortAudio and simulated unit; the file back end takes the file's own */
  /** How long to capture; the file back end reads all. Through a sound device what was played arrives a
   * round trip later (about 0.4 s through a mixer): ask for that much more than the source lasts. */
  double duration_s;
  const mt_audio_source *source; /**< NULL: play nothing */
  mt_audio_progress progress;
  void *progress_ctx;
  const char *state; /**< simulated unit: how its switches stand, NULL or "": as its description begins */
  double load_ohm;   /**< simulated unit: on its outputs unless its description says; 0 or INFINITY: none */
  /** mt_capture_run() only: is told all before the take is, to write it down meanwhile. NULL: nobody. */
  const mt_audio_sink *tap;
} mt_audio_request;

/**
 * One row of the table.
 *
 * - "portaudio": two channels of the device, or one if it has no more; exactly llround(duration * rate)
 *   frames, or an error. 0.3 s of silence before frame 0 are played and thrown away, for streams stumble
 *   when they start. What the driver flags later is told to the sink, and so is a stream that runs faster or
 *   slower than its rate by the host's clock (0.5 %). Neither shows every lost frame: the signal itself must
 *   be checked for jumps. MT_E_DEVICE: missing, ambiguous, cannot be opened, stopped, silent; MT_E_IO: this
 *   computer did not keep up.
 * - "file": WAV, RF64, W64 and FLAC with PCM or float samples, in the file's own rate and channels. A file that
 *   is cut off or damaged is read as far as it is good, with a problem at its end. MT_E_NO_INPUT, MT_E_DATA.
 * - "simulate": see mt_simulate_run().
 */
typedef struct mt_audio_backend {
  const char *name; /**< "portaudio", "file", "simulate" */
  /** Run to the end. A problem that spoils the take is told to the sink, not returned. */
  mt_code (*run)(const mt_audio_request *request, const mt_audio_sink *sink, mt_error *err);
} mt_audio_backend;

/** The back end of that name, or NULL. */
const mt_audio_backend *mt_audio_find_backend(const char *name);

/** A sound device as the system lists it now. */
typedef struct mt_device {
  char name[160];
  char host_api[48];
  unsigned max_inputs;
  unsigned max_outputs;
  double default_rate_hz;
  double rates_hz[8]; /**< rates at which it could be opened just now, ascending, 0-terminated */
  bool is_mixer;      /**< may resample, scale, or share with other programs */
  bool is_default_input;
  bool is_default_output;
  char advice[160]; /**< one sentence: whether to trust it, and why */
} mt_device;

/**
 * List the devices afresh; not while a run is on. Each is opened for a moment at each rate.
 *
 * @param out  malloc'ed, freed by the caller with free(), also when there are no devices.
 * @return MT_OK, also with *ndevices = 0; MT_E_DEVICE if the sound system does not answer; MT_E_MEMORY.
 */
mt_code mt_audio_list_devices(mt_device **out, size_t *ndevices, mt_error *err);

/**
 * Whether the devices that a run would open are there now; none is opened. Not while a run is on.
 *
 * @param input   as in mt_audio_request; so is `output`.
 * @param plays   false: the output is not asked for.
 * @return MT_E_DEVICE with what is there instead, or with which ones a name may mean; MT_E_MEMORY.
 */
mt_code mt_audio_check_devices(const char *input, const char *output, bool plays, mt_error *err);

/** How samples are stored. */
typedef enum mt_sample_format { MT_SAMPLE_FLOAT, MT_SAMPLE_PCM24, MT_SAMPLE_PCM16 } mt_sample_format;

/**
 * Write interleaved float frames as WAV (RF64 beyond 4 GiB), or as FLAC if the path ends so, whole or not at all:
 * a temporary file beside it, then renamed. PCM formats get TPDF dither and are clipped, never wrapped. The same
 * frames give the same bytes each time.
 *
 * @return MT_E_ARG (channels, a rate that is not whole hertz; of FLAC also float samples, more than 8 channels, a
 *         rate above 655350 Hz), MT_E_DATA (a sample that is not finite), MT_E_CREATE, MT_E_IO.
 */
mt_code mt_audio_write_file(const char *path, const float *frames, size_t nframes, unsigned nchannels,
                            double rate_hz, mt_sample_format format, mt_error *err);

/**
 * A recording written while it is made: float WAV, RF64 beyond 4 GiB.
 *
 * Its samples are in the file as soon as they are appended, and its header is right again at the latest 0.1 s of
 * sound later, so that a program that is killed loses no more than that (a machine that loses its power: what the
 * system has not put on the disk yet). Until it is closed it is called "NAME.part.wav": what is interrupted can
 * be found and read, and a good file of that name stays until a whole one takes its place.
 *
 * Appending may wait for the disk: never from an audio callback.
 */
typedef struct mt_audio_writer mt_audio_writer;

/**
 * Create the file beside `path`; what an earlier program left behind there is not touched ("NAME.part-2.wav"...).
 *
 * @return MT_E_ARG (channels, a rate that is not whole hertz); MT_E_CREATE, also if `path` is a folder or a device.
 */
mt_code mt_audio_writer_open(const char *path, double rate_hz, unsigned nchannels, mt_audio_writer **out,
                             mt_error *err);

/**
 * Append interleaved float frames, as they are.
 *
 * @return MT_E_IO, also each time after: what came before stays readable, nothing more is written.
 */
mt_code mt_audio_writer_append(mt_audio_writer *writer, const float *frames, size_t nframes, mt_error *err);

/** The file as it is called now; the writer's. */
const char *mt_audio_writer_file(const mt_audio_writer *writer);

/** Whether a file is called as one that was not closed: it may hold less than it was to. */
bool mt_audio_writer_is_part(const char *path);

/** Remove what earlier programs left behind beside `path`, where only the latest is worth keeping. */
void mt_audio_writer_forget(const char *path);

/** Whole frames that are in it. */
size_t mt_audio_writer_nframes(const mt_audio_writer *writer);

/**
 * Put it on the disk and give it its name.
 *
 * @param writer  NULL after success. On failure (its folder is gone; appending has failed: MT_E_IO) it is still
 *                open, whatever became of its name: close it as another, or abandon it.
 */
mt_code mt_audio_writer_close(mt_audio_writer **writer, mt_error *err);

/** The same under another name, in any folder; MT_E_CREATE, MT_E_IO. */
mt_code mt_audio_writer_close_as(mt_audio_writer **writer, const char *path, mt_error *err);

/** Leave it as "NAME.part.wav"; one without a frame is removed. Accepts NULL and leaves NULL. */
void mt_audio_writer_abandon(mt_audio_writer **writer);

/** What a recording's header says. */
typedef struct mt_file_info {
  double rate_hz;
  unsigned nchannels;
  size_t nframes;
} mt_file_info;

/** Read only the header. MT_E_NO_INPUT, MT_E_DATA (not WAV, RF64, W64 or FLAC). */
mt_code mt_audio_read_info(const char *path, mt_file_info *out, mt_error *err);

#ifdef __cplusplus
}
#endif
#endif
