#include "support.h"

void support_assert_near(double got, double want, double tol, const char *unit, const char *what,
                         const char *file, int line)
{
  if (!(isfinite(got) && isfinite(want) && fabs(got - want) <= tol)) {
    print_error("%s: got %.12g %s, want %.12g, off by %.3g, tolerance %.3g\n", what, got, unit, want,
                got - want, tol);
    _fail(file, line);
  }
}

void support_assert_between(double got, double low, double high, const char *unit, const char *what,
                            const char *file, int line)
{
  if (!(isfinite(got) && got >= low && got <= high)) {
    print_error("%s: got %.12g %s, want %.12g ... %.12g\n", what, got, unit, low, high);
    _fail(file, line);
  }
}

void support_assert_ok(int code, const char *message, const char *file, int line)
{
  if (code != 0) {
    print_error("failed with code %d: %s\n", code, message);
    _fail(file, line);
  }
}

double support_dft_amplitude(const double *x, size_t n, double rate_hz, double freq_hz)
{
  const long double step =
      2.0L * 3.14159265358979323846264338327950288L * (long double)freq_hz / (long double)rate_hz;
  long double re = 0.0L, im = 0.0L;
  for (size_t i = 0; i < n; i++) {
    long double angle = fmodl(step * (long double)i, 2.0L * 3.14159265358979323846264338327950288L);
    re += (long double)x[i] * cosl(angle);
    im -= (long double)x[i] * sinl(angle);
  }
  return (double)(2.0L * sqrtl(re * re + im * im) / (long double)n);
}

double support_mean_square(const double *x, size_t n)
{
  long double sum = 0.0L;
  for (size_t i = 0; i < n; i++)
    sum += (long double)x[i] * (long double)x[i];
  return (double)(sum / (long double)n);
}

uint64_t support_seed(uint64_t fallback)
{
  const char *text = getenv("MT_TEST_SEED");
  uint64_t seed = text != NULL && text[0] != '\0' ? strtoull(text, NULL, 0) : fallback;
  print_message("seed %llu (set MT_TEST_SEED to repeat another)\n", (unsigned long long)seed);
  return seed;
}
